"""Finds records that were changed, added or removed after they were written."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from analysis.record import chain, checks, job_chain, keeping, queries
from analysis.record.chain import StoredReading
from analysis.record.job_values import Attachment
from analysis.record.photos import read_photo
from config.errors import StoreError

ROWS_AT_ONCE = 10_000


@dataclass(frozen=True, slots=True)
class Difference:
    """Something that is not as it was written: which record (its id), and what about it."""

    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class Verified:
    """What the check of a record came to.

    Attributes:
        differences: none when nothing was changed.
        runs, readings, results: how many were checked.
        last_link: SHA-256 of the chain's last link, hexadecimal. Kept elsewhere (a signed claim pack
            carries it), it proves that this record was not rewritten as a whole since.
    """

    differences: tuple[Difference, ...]
    runs: int
    readings: int
    results: int
    last_link: str


def verify(connection: sqlite3.Connection, *, photos: bool = True) -> Verified:
    """Compute the whole chain again from what is in the tables, and the photos' files beside the record.

    Args:
        connection: of the record.
        photos: look at the files too; not where a record lies apart from them.
    """
    differences = [*_structure(connection), *_links(connection), *_unlinked(connection)]
    differences += _readings(connection)
    differences += _photos(connection) if photos else ()
    runs, readings, results = (
        int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608 - own names
        for table in ("run", "reading", "result")
    )
    return Verified(tuple(differences), runs, readings, results, queries.last_link(connection))


def _structure(connection: sqlite3.Connection) -> Iterator[Difference]:
    for (text,) in connection.execute("PRAGMA integrity_check"):
        if text != "ok":
            yield Difference("database", str(text))
    for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        yield Difference("database", f"a row of {table} (number {row}) belongs to no row of {parent}")


def _links(connection: sqlite3.Connection) -> Iterator[Difference]:
    before = chain.FIRST_LINK
    columns = "seq, what, subject, form, record_sha256, link_sha256"
    rows = connection.execute(f"SELECT {columns} FROM chain ORDER BY seq").fetchall()  # noqa: S608 - own names
    for expected, (seq, what, subject, form, record, link) in enumerate(rows, start=1):
        if seq != expected:
            yield Difference(subject, f"the chain's link {expected} is missing")
            return
        if chain.link_sha256(before, what, subject, form, record) != link:
            yield Difference(subject, f"link {seq} of the chain ({what}) does not follow from the one before")
        before = link
        now = _record_now(connection, what, subject)
        if now is None:
            yield Difference(subject, f"is gone ({what})")
        elif now != record:
            yield Difference(subject, f"was changed after it was written ({what})")


def _record_now(connection: sqlite3.Connection, what: str, subject: str) -> str | None:
    if what in job_chain.KINDS:
        return job_chain.record_now(connection, what, subject)
    if what == keeping.KEEPING:
        return keeping.record_now(connection, subject)
    if what == checks.CHECK:
        return checks.record_now(connection, subject)
    table = "result" if what == "result" else "run"
    found = connection.execute(f"SELECT key FROM {table} WHERE id = ?", (subject,)).fetchone()  # noqa: S608
    if found is None:
        return None
    if what == "run begun":
        return queries.begun_sha256(connection, found[0])
    if what == "run ended":
        return queries.run_sha256(connection, found[0])
    return queries.result_sha256(connection, found[0])


_UNLINKED = {
    "run begun": "SELECT id FROM run EXCEPT SELECT subject FROM chain WHERE what = 'run begun'",
    "run ended": "SELECT id FROM run WHERE state <> 'running'"
    " EXCEPT SELECT subject FROM chain WHERE what = 'run ended'",
    **job_chain.UNLINKED,
    keeping.KEEPING: keeping.UNLINKED,
    checks.CHECK: checks.UNLINKED,
    "result": "SELECT id FROM result EXCEPT SELECT subject FROM chain WHERE what = 'result'",
}


def unlinked(
    connection: sqlite3.Connection, but: Iterable[tuple[str, str, str]] = ()
) -> tuple[tuple[str, str, str], ...]:
    """What is in the tables and not in the chain: kind of link, subject, and the record's SHA-256.

    Args:
        connection: of the record.
        but: what is left out: found before, so that it is not taken for what came in since.
    """
    known = {(what, subject) for what, subject, _ in but}
    found = []
    for what, select in _UNLINKED.items():
        for (subject,) in connection.execute(select).fetchall():
            record = _record_now(connection, what, subject)
            if record is not None and (what, subject) not in known:
                found.append((what, subject, record))
    return tuple(found)


def _unlinked(connection: sqlite3.Connection) -> Iterator[Difference]:
    for what, select in _UNLINKED.items():
        for (subject,) in connection.execute(select):
            yield Difference(subject, f"is not in the chain ({what})")


def _readings(connection: sqlite3.Connection) -> Iterator[Difference]:
    runs = connection.execute("SELECT key, id, readings, rejected, readings_sha256 FROM run ORDER BY key")
    for key, subject, readings, rejected, stored in runs.fetchall():
        sha256, count, flagged = hashlib.sha256(), 0, 0
        for rows in _batches(connection, key):
            sha256.update(chain.reading_bytes(rows))
            count += len(rows)
            flagged += sum(row[3] is not None for row in rows)
        if count != readings or flagged != rejected:
            text = f"has {count} readings, {flagged} of them rejected; {readings} and {rejected} were stored"
            yield Difference(subject, text)
        elif sha256.hexdigest() != stored:
            yield Difference(subject, "its readings were changed after they were stored")


def _photos(connection: sqlite3.Connection) -> Iterator[Difference]:
    file = Path(connection.execute("PRAGMA database_list").fetchone()[2])
    rows = connection.execute(
        "SELECT id, name, media_type, sha256, size FROM job_attachment WHERE what = 'photo' ORDER BY key"
    )
    for name, called, media_type, sha256, size in rows.fetchall():
        photo = Attachment(name, "photo", called, media_type, sha256, size)
        try:
            read_photo(file.parent, photo)
        except StoreError as error:
            yield Difference(name, error.what)


def _batches(connection: sqlite3.Connection, key: int) -> Iterator[list[StoredReading]]:
    cursor = connection.execute(
        "SELECT seq, t_ns, length_nm, flag, raw FROM reading WHERE run = ? ORDER BY seq", (key,)
    )
    while rows := cursor.fetchmany(ROWS_AT_ONCE):
        yield rows
