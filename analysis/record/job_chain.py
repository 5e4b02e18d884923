"""Jobs in the hash chain: opened, each entry, released; a later change of any of them breaks a link."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from analysis.record import chain, queries

OPENED, ENTRY, RELEASED = "job opened", "job entry", "job released"
ATTACHED, STUDY = "job attachment", "study"
JOB_KINDS = (OPENED, ENTRY, RELEASED)
KINDS = (*JOB_KINDS, ATTACHED, STUDY)

JOB_COLUMNS = ("id", "opened_utc", "vin", "vehicle", "odometer_km", "complaint", "technician")
CUSTOMER_COLUMNS = ("customer", "plate")  # of jobs that have either; others are linked without
WHEEL_END_COLUMNS = (
    "wheel", "bearing", "encoder", "old_part", "old_lot", "new_part", "new_lot", "torque_n_m", "limits",
    "source",
)  # fmt: skip
ENTRY_COLUMNS = ("step", "what", "answer", "number", "run", "problem", "technician", "at_utc")
ENTRY_MORE = ("id", "place")  # of entries that have an id; older ones were linked without
ATTACHMENT_COLUMNS = ("id", "what", "name", "media_type", "sha256", "size", "content")
STUDY_COLUMNS = (
    "id", "indicator", "serial_number", "quantity", "limit_nm", "technicians", "parts", "trials", "seed",
    "begun_utc",
)  # fmt: skip

UNLINKED = {
    OPENED: "SELECT id FROM job EXCEPT SELECT subject FROM chain WHERE what = 'job opened'",
    RELEASED: "SELECT id FROM job WHERE closed_utc IS NOT NULL"
    " EXCEPT SELECT subject FROM chain WHERE what = 'job released'",
    ENTRY: "SELECT job.id || '/' || job_entry.key FROM job_entry"
    " JOIN wheel_end ON wheel_end.key = job_entry.wheel_end JOIN job ON job.key = wheel_end.job"
    " EXCEPT SELECT subject FROM chain WHERE what = 'job entry'",
    ATTACHED: "SELECT id FROM job_attachment EXCEPT SELECT subject FROM chain WHERE what = 'job attachment'",
    STUDY: "SELECT study.id FROM study WHERE EXISTS (SELECT 1 FROM study_result WHERE study = study.key)"
    " EXCEPT SELECT subject FROM chain WHERE what = 'study'",
}
"""Subjects that are in the tables and not in the chain, by kind of link."""


def link(connection: sqlite3.Connection, what: str, subject: str) -> None:
    """Add the link of something just written, within the transaction that wrote it.

    Args:
        connection: in a transaction that may write.
        what: one of `KINDS`.
        subject: the id of the job, attachment or study; of an entry ``job id/key``.
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
    for what in JOB_KINDS:
        for (subject,) in sorted(tuple(row) for row in connection.execute(UNLINKED[what])):
            link(connection, what, subject)


def record_now(connection: sqlite3.Connection, what: str, subject: str) -> str | None:
    """SHA-256 of what the tables hold of a subject, hexadecimal; None when it is gone."""
    if what == ENTRY:
        return _entry(connection, subject)
    if what == ATTACHED:
        return _attachment(connection, subject)
    if what == STUDY:
        return _study(connection, subject)
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
    more: dict[str, Any] = {**_customer(connection, subject)}
    if sizes := _sizes(connection, subject):
        more["sizes"] = sizes
    return chain.record_sha256(job, JOB_COLUMNS, wheel_ends=[list(end) for end in ends], **more)


def _customer(connection: sqlite3.Connection, job: str) -> dict[str, str]:
    """Customer and plate; empty where neither was recorded, as in every job before there were any."""
    if not _has(connection, "job", "plate"):
        return {}
    found = _one(connection, "job", CUSTOMER_COLUMNS, "id", job)
    return found if found is not None and any(found.values()) else {}


def _sizes(connection: sqlite3.Connection, job: str) -> list[str]:
    """The sizes of each wheel end; empty where none was typed, as in every job before there were any."""
    if not _has(connection, "wheel_end", "sizes"):
        return []
    rows = connection.execute(
        "SELECT sizes FROM wheel_end JOIN job ON job.key = wheel_end.job WHERE job.id = ?"
        " ORDER BY wheel_end.key",
        (job,),
    ).fetchall()
    return [row[0] for row in rows] if any(row[0] != "{}" for row in rows) else []


def _has(connection: sqlite3.Connection, table: str, column: str) -> bool:
    """Whether a table has a column yet: an old record is linked before it gets the newer ones."""
    found = connection.execute("SELECT 1 FROM pragma_table_info(?) WHERE name = ?", (table, column))
    return found.fetchone() is not None


def _attachment(connection: sqlite3.Connection, subject: str) -> str | None:
    kept = _one(connection, "job_attachment", ATTACHMENT_COLUMNS, "id", subject)
    if kept is None:
        return None
    place = connection.execute(
        "SELECT job_entry.key, job.id FROM job_attachment"
        " JOIN job_entry ON job_entry.key = job_attachment.entry"
        " JOIN wheel_end ON wheel_end.key = job_entry.wheel_end JOIN job ON job.key = wheel_end.job"
        " WHERE job_attachment.id = ?",
        (subject,),
    ).fetchone()
    return None if place is None else chain.record_sha256(kept, ATTACHMENT_COLUMNS, entry=list(place))


def _study(connection: sqlite3.Connection, subject: str) -> str | None:
    study = _one(connection, "study", STUDY_COLUMNS, "id", subject)
    if study is None:
        return None
    rows = connection.execute(
        "SELECT technician, part, trial, value_nm, run, at_utc FROM study_reading"
        " JOIN study ON study.key = study_reading.study WHERE study.id = ? ORDER BY study_reading.key",
        (subject,),
    ).fetchall()
    results = connection.execute(
        "SELECT method, json FROM study_result JOIN study ON study.key = study_result.study"
        " WHERE study.id = ? ORDER BY method",
        (subject,),
    ).fetchall()
    told = {"readings": [list(row) for row in rows], "results": [list(row) for row in results]}
    return chain.record_sha256(study, STUDY_COLUMNS, **told)


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
    more: dict[str, Any] = {}
    if _has(connection, "job_entry", "id"):
        named = _one(connection, "job_entry", ENTRY_MORE, "key", int(key))
        more = named if named is not None and named["id"] is not None else {}
    return chain.record_sha256(entry, ENTRY_COLUMNS, job=place[0], wheel=place[1], **more)


def _one(
    connection: sqlite3.Connection, table: str, columns: Sequence[str], by: str, value: Any
) -> dict[str, Any] | None:
    row = connection.execute(
        f'SELECT {", ".join(columns)} FROM "{table}" WHERE {by} = ?',  # noqa: S608 - own names
        (value,),
    ).fetchone()
    return None if row is None else dict(zip(columns, row, strict=True))
