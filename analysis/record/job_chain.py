"""Jobs in the hash chain: opened, each entry, released; a later change of any of them breaks a link."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from analysis.record import chain, queries

OPENED, ENTRY, RELEASED = "job opened", "job entry", "job released"
KINDS = (OPENED, ENTRY, RELEASED)

JOB_COLUMNS = ("id", "opened_utc", "vin", "vehicle", "odometer_km", "complaint", "technician")
WHEEL_END_COLUMNS = (
    "wheel", "bearing", "encoder", "old_part", "old_lot", "new_part", "new_lot", "torque_n_m", "limits",
    "source",
)  # fmt: skip
ENTRY_COLUMNS = ("step", "what", "answer", "number", "run", "problem", "technician", "at_utc")

UNLINKED = {
    OPENED: "SELECT id FROM job EXCEPT SELECT subject FROM chain WHERE what = 'job opened'",
    RELEASED: "SELECT id FROM job WHERE closed_utc IS NOT NULL"
    " EXCEPT SELECT subject FROM chain WHERE what = 'job released'",
    ENTRY: "SELECT job.id || '/' || job_entry.key FROM job_entry"
    " JOIN wheel_end ON wheel_end.key = job_entry.wheel_end JOIN job ON job.key = wheel_end.job"
    " EXCEPT SELECT subject FROM chain WHERE what = 'job entry'",
}
"""Subjects that are in the tables and not in the chain, by kind of link."""


def link(connection: sqlite3.Connection, what: str, subject: str) -> None:
    """Add the link of something just written, within the transaction that wrote it.

    Args:
        connection: in a transaction that may write.
        what: one of `KINDS`.
        subject: the job's id; of an entry ``id/key``.
    """
    record = record_now(connection, what, subject)
    assert record is not None
    before = queries.last_link(connection)
    connection.execute(
        "INSERT INTO chain (what, subject, form, record_sha256, link_sha256) VALUES (?, ?, ?, ?, ?)",
        (what, subject, chain.FORM, record, chain.link_sha256(before, what, subject, chain.FORM, record)),
    )


def link_what_is_there(connection: sqlite3.Connection) -> None:
    """Link everything of jobs that was written before they were linked: jobs, entries, releases."""
    for what in KINDS:
        for (subject,) in sorted(tuple(row) for row in connection.execute(UNLINKED[what])):
            link(connection, what, subject)


def record_now(connection: sqlite3.Connection, what: str, subject: str) -> str | None:
    """SHA-256 of what the tables hold of a subject, hexadecimal; None when it is gone."""
    if what == ENTRY:
        return _entry(connection, subject)
    job = _one(connection, "job", JOB_COLUMNS, "id", subject)
    if job is None:
        return None
    if what == RELEASED:
        closed = connection.execute("SELECT closed_utc FROM job WHERE id = ?", (subject,)).fetchone()[0]
        return chain.record_sha256({"id": subject, "closed_utc": closed}, ("id", "closed_utc"))
    columns = ", ".join(f"wheel_end.{name}" for name in WHEEL_END_COLUMNS)
    ends = connection.execute(
        f"SELECT {columns} FROM wheel_end JOIN job ON job.key = wheel_end.job"  # noqa: S608 - own names
        " WHERE job.id = ? ORDER BY wheel_end.key",
        (subject,),
    ).fetchall()
    return chain.record_sha256(job, JOB_COLUMNS, wheel_ends=[list(end) for end in ends])


def _entry(connection: sqlite3.Connection, subject: str) -> str | None:
    job_id, _, key = subject.partition("/")
    if not (key.isascii() and key.isdecimal()):  # a subject that somebody wrote over
        return None
    entry = _one(connection, "job_entry", ENTRY_COLUMNS, "key", int(key))
    if entry is None:
        return None
    place = connection.execute(
        "SELECT job.id, wheel_end.wheel FROM job_entry JOIN wheel_end ON wheel_end.key = job_entry.wheel_end"
        " JOIN job ON job.key = wheel_end.job WHERE job_entry.key = ?",
        (int(key),),
    ).fetchone()
    if place is None or place[0] != job_id:
        return None
    return chain.record_sha256(entry, ENTRY_COLUMNS, job=place[0], wheel=place[1])


def _one(
    connection: sqlite3.Connection, table: str, columns: Sequence[str], by: str, value: Any
) -> dict[str, Any] | None:
    row = connection.execute(
        f'SELECT {", ".join(columns)} FROM "{table}" WHERE {by} = ?',  # noqa: S608 - own names
        (value,),
    ).fetchone()
    return None if row is None else dict(zip(columns, row, strict=True))
