"""Opens the one SQLite file: private, write-ahead logged, at the newest version, or refused in one line."""

from __future__ import annotations

import errno
import os
import sqlite3
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from analysis.record import angles, checks, job_chain, keeping, schema_whole_job
from analysis.record.schema import VERSION_1, Table, View
from analysis.record.schema_jobs import VERSION_2
from config.errors import StoreError

APPLICATION_ID = 0x48756250  # "HubP": marks the file as a record of Hubproof
WAIT_FOR_LOCK_MS = 5_000

_ADVICE = {
    "SQLITE_FULL": "the disk is full; make room, nothing already stored is lost",
    "SQLITE_READONLY": "it is read-only; give this user the right to write the file and its folder",
    "SQLITE_BUSY": "another program holds it; close that program and try again",
    "SQLITE_LOCKED": "another program holds it; close that program and try again",
    "SQLITE_CANTOPEN": "it cannot be opened; check that the folder exists and belongs to this user",
    "SQLITE_NOTADB": "it is not a database; name another folder with --data",
    "SQLITE_CORRUPT": "it is damaged; keep a copy and restore the last backup",
    "SQLITE_IOERR": "the disk does not answer; check the disk",
}

_NOT_OURS = "it or its folder belongs to another user or is read-only: get the right, or name --data"
_OS_ADVICE = {
    errno.EACCES: _NOT_OURS,
    errno.EPERM: _NOT_OURS,
    errno.EROFS: _NOT_OURS,
    errno.ENOSPC: "the disk is full: make room",
    errno.EDQUOT: "this user's share of the disk is used up: make room",
}


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into one line that says what to do.

    Raises:
        StoreError: in place of any `sqlite3.Error`.
    """
    try:
        yield
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", None) or ""
        primary = "_".join(name.split("_")[:2])
        advice = _ADVICE.get(primary)
        if advice is None:
            raise StoreError(f"the database refused: {error}", where=str(path)) from error
        what, _, do = advice.partition("; ")
        raise StoreError(what, where=str(path), do=do) from error
    except OSError as error:
        to_do = _OS_ADVICE.get(error.errno or 0)
        raise StoreError(f"cannot be opened: {error.strerror}", where=str(path), do=to_do) from error


def connect(path: Path) -> sqlite3.Connection:
    """A connection with write-ahead log, foreign keys, and a sync to the disk at every commit.

    Transactions are begun and ended by hand. The connection may be used from any thread, one at a time.
    """
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    try:
        connection.execute(f"PRAGMA busy_timeout = {WAIT_FOR_LOCK_MS}")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")  # what was acknowledged survives a power cut
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction that holds the right to write from its first line; undone when anything fails."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """One state of the database for several questions, whatever is written meanwhile."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")


def make_private(path: Path) -> None:
    """Create the file and its folder for this user only (0600, 0700) before anything is written to it.

    SQLite gives its log files the mode of the database. Where the system has no such modes the call
    does what it can.

    Raises:
        StoreError: there is something by that name that is no file (a device, a pipe); it is left as it is.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        mode = os.fstat(file).st_mode
    finally:
        os.close(file)
    if not stat.S_ISREG(mode):
        raise StoreError("is no file", where=str(path), do="name a file or one that is not there yet")
    if mode & 0o077:
        os.chmod(path, 0o600)


def open_record(path: Path) -> sqlite3.Connection:
    """A connection to the record, which is made or brought up to this version as needed.

    Raises:
        StoreError: of a newer version, not a record of Hubproof, not writable, damaged.
    """
    with told(path):
        make_private(path)
        connection = connect(path)
        try:
            migrate(connection, path)
        except BaseException:  # whatever it was goes on its way, but no open file stays behind
            connection.close()
            raise
    return connection


def create(connection: sqlite3.Connection, items: tuple[Table | View, ...]) -> None:
    """Make tables and views, with a note for each column."""
    for item in items:
        connection.execute(item.sql())
        for index in item.indexes if isinstance(item, Table) else ():
            connection.execute(index)
    connection.executemany(
        "INSERT INTO column_notes (table_name, column_name, unit, note) VALUES (?, ?, ?, ?)",
        [(item.name, column.name, column.unit, column.note) for item in items for column in item.columns],
    )


def _first(connection: sqlite3.Connection) -> None:
    create(connection, VERSION_1)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _jobs(connection: sqlite3.Connection) -> None:
    create(connection, VERSION_2)


def _linked_jobs(connection: sqlite3.Connection) -> None:
    job_chain.link_what_is_there(connection)


def _keeping(connection: sqlite3.Connection) -> None:
    create(connection, (keeping.TABLE,))


def _whole_jobs(connection: sqlite3.Connection) -> None:
    schema_whole_job.before_making(connection)
    create(connection, schema_whole_job.MADE)


def _checks(connection: sqlite3.Connection) -> None:
    create(connection, (checks.TABLE, checks.ARRIVAL))


def _angles(connection: sqlite3.Connection) -> None:
    create(connection, (angles.TABLE,))


def _part_index(connection: sqlite3.Connection) -> None:
    connection.execute(schema_whole_job.PART_INDEX)


def _customers(connection: sqlite3.Connection) -> None:
    for column in (schema_whole_job.CUSTOMER, schema_whole_job.PLATE):
        schema_whole_job.add_column(connection, "job", column)


Migration = Callable[[sqlite3.Connection], None]
MIGRATIONS: tuple[Migration, ...] = (
    _first,
    _jobs,
    _linked_jobs,
    _keeping,
    _whole_jobs,
    _checks,
    _angles,
    _part_index,
    _customers,
)
"""Migration number n brings a database from version n to n + 1. Never change one that was released."""


def migrate(
    connection: sqlite3.Connection, path: Path, migrations: tuple[Migration, ...] = MIGRATIONS
) -> None:
    """Bring the database to the newest version, one transaction a step.

    Raises:
        StoreError: the file is of a newer version, or is another program's database.
    """
    newest = len(migrations)
    if _pragma(connection, "user_version") == newest:
        _check_ours(connection, path)
        return
    while (version := _pragma(connection, "user_version")) < newest:
        with writing(connection):
            if _pragma(connection, "user_version") != version:
                continue  # another process was faster
            _check_ours(connection, path)
            migrations[version](connection)
            connection.execute(f"PRAGMA user_version = {version + 1}")
    if version > newest:
        raise StoreError(
            f"the database has version {version}",
            where=str(path),
            expected=f"version {newest} or older",
            do="install the newer Hubproof that wrote it",
        )


def _check_ours(connection: sqlite3.Connection, path: Path) -> None:
    if _pragma(connection, "application_id") == APPLICATION_ID:
        return
    if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        raise StoreError(
            "is another program's database", where=str(path), do="name another folder with --data"
        )


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])
