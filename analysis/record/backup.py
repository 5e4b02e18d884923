"""A copy of the record as of one moment, by SQLite's own online backup, checked before it gets its name."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from analysis.record.database import APPLICATION_ID, MIGRATIONS, connect, told
from analysis.record.verify import Verified, verify
from config.errors import InputError, StoreError


def back_up(database: Path, file: Path) -> Verified:
    """Copy `database`, which may be written meanwhile, to `file`, whole or not at all.

    The copy is one step of SQLite's backup: a reader of the write-ahead log sees one state and holds no
    writer up. (Copied in several steps it would begin anew at every write of the station.)

    Raises:
        InputError: `file` is there already.
        StoreError: it cannot be read or written, or the copy does not pass its check.
    """
    if file.exists():
        raise InputError("is there already", where=str(file), do="name a file that is not there yet")
    draft = file.with_name(f".{file.name}.new")
    try:
        with told(file):
            os.close(os.open(draft, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600))
        with (
            told(database),
            closing(connect(database)) as source,
            told(file),
            closing(sqlite3.connect(draft)) as copy,
        ):
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
        checked = check_backup(draft, named=file)
        os.replace(draft, file)
    finally:
        draft.unlink(missing_ok=True)
    return checked


def check_backup(file: Path, *, named: Path | None = None) -> Verified:
    """Compute the hash chain of a backup again, and let SQLite check its pages; nothing is written to it.

    Args:
        file: the backup.
        named: what to call it in messages; its own name by default.

    Raises:
        InputError: there is none, or it is no record of Hubproof, or of another version.
        StoreError: it is damaged, or was changed.
    """
    name = str(named or file)
    if not file.is_file():
        raise InputError("there is no such file", where=name)
    with told(Path(name)), file.open("rb") as start:
        if start.read(len(_SQLITE)) != _SQLITE:
            raise InputError("is no record of Hubproof", where=name, do="name what hubproof backup wrote")
    with told(Path(name)), closing(_read_only(file)) as copy:
        ours, version = (int(copy.execute(f"PRAGMA {each}").fetchone()[0]) for each in _PRAGMAS)
        if ours != APPLICATION_ID:
            raise InputError("is no record of Hubproof", where=name)
        if version != len(MIGRATIONS):
            raise InputError(
                f"has version {version} of the tables",
                where=name,
                expected=f"version {len(MIGRATIONS)}",
                do="put it in a data folder of its own and open it once: that brings it to this version",
            )
        checked = verify(copy)
    if checked.differences:
        first = checked.differences[0]
        more = f" and {len(checked.differences) - 1} more" if len(checked.differences) > 1 else ""
        raise StoreError(f"is not as it was written: {first.subject} {first.text}{more}", where=name)
    return checked


def _read_only(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro&immutable=1", uri=True)


_SQLITE = b"SQLite format 3\0"  # https://www.sqlite.org/fileformat2.html, 1.3.1
_PRAGMAS = ("application_id", "user_version")
