"""What the technician said of a run after it ended: kept, or thrown away and why; the latest word counts.

Nothing is deleted: a run that was thrown away stays with all its readings, and says so. Each word is a
link of the hash chain.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Literal, get_args

from analysis.record import chain
from analysis.record.schema import Column, Table
from config.errors import InputError

Word = Literal["kept", "thrown away"]
KEEPING = "run keeping"
"""The kind of link in the chain; its subject is ``run id/key``."""
LONGEST_REASON = 300

TABLE = Table(
    "keeping",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the word; the latest of a run counts"),
        Column("run", "TEXT NOT NULL REFERENCES run (id)", "id of the run", "UUIDv7"),
        Column("word", f'TEXT NOT NULL CHECK ("word" IN {get_args(Word)!r})', "kept or thrown away"),
        Column("reason", "TEXT NOT NULL", "why it was thrown away; empty when it was kept"),
        Column("at_utc", "TEXT NOT NULL", "when it was said", "UTC, RFC 3339"),
    ),
    indexes=("CREATE INDEX keeping_by_run ON keeping (run, key)",),
)

LATEST = "SELECT word FROM keeping WHERE keeping.run = run_list.id ORDER BY keeping.key DESC LIMIT 1"
UNLINKED = "SELECT run || '/' || key FROM keeping EXCEPT SELECT subject FROM chain WHERE what = 'run keeping'"
_COLUMNS = ("run", "word", "reason", "at_utc")


@dataclass(frozen=True, slots=True)
class Said:
    """One word about a run. `reason` is empty when it was kept; `at_utc` in RFC 3339."""

    word: Word
    reason: str
    at_utc: str


def checked(word: Word, reason: str, where: str) -> str:
    """The reason as it is stored.

    Raises:
        InputError: thrown away without a reason, or a reason that is too long.
    """
    plain = " ".join(reason.split())
    if word == "thrown away" and not plain:
        raise InputError("is not thrown away without a reason", where=where, do="say why")
    if len(plain) > LONGEST_REASON:
        raise InputError("the reason is too long", where=where, expected=f"{LONGEST_REASON} characters")
    return plain


def said_of(connection: sqlite3.Connection, run_id: str) -> tuple[Said, ...]:
    """All words about a run, oldest first."""
    rows = connection.execute(
        "SELECT word, reason, at_utc FROM keeping WHERE run = ? ORDER BY key", (run_id,)
    ).fetchall()
    return tuple(Said(*row) for row in rows)


def record_now(connection: sqlite3.Connection, subject: str) -> str | None:
    """SHA-256 of the word that a link is about, hexadecimal; None when it is gone."""
    run_id, _, key = subject.partition("/")
    if not (key.isascii() and key.isdecimal()):  # a subject that somebody wrote over
        return None
    row = connection.execute(
        f"SELECT {', '.join(_COLUMNS)} FROM keeping WHERE key = ?",  # noqa: S608 - own names
        (int(key),),
    ).fetchone()
    if row is None or row[0] != run_id:
        return None
    return chain.record_sha256(dict(zip(_COLUMNS, row, strict=True)), _COLUMNS)
