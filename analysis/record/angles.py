"""Angles of readings, where a file or an encoder gave them: a bore is judged by the angle of each reading."""

from __future__ import annotations

import sqlite3

import numpy as np

from analysis.record.schema import Column, Table
from analysis.trace import FloatArray

TABLE = Table(
    "reading_angle",
    (
        Column("run", "INTEGER NOT NULL REFERENCES run (key)", "key of the run"),
        Column("seq", "INTEGER NOT NULL", "number of the reading in its run", "1"),
        Column("angle_deg", "REAL NOT NULL", "angle of hub or gauge at that reading, not wrapped", "deg"),
    ),
    ending="PRIMARY KEY (run, seq)",
    options="STRICT, WITHOUT ROWID",
)


def angles_of(connection: sqlite3.Connection, run_key: int) -> list[tuple[int, float]]:
    """Number of the reading and its angle in degrees, in order; empty when none is known."""
    return connection.execute(
        "SELECT seq, angle_deg FROM reading_angle WHERE run = ? ORDER BY seq", (run_key,)
    ).fetchall()


def angle_array(known: list[tuple[int, float]], seq: list[int]) -> FloatArray | None:
    """(n,) degrees of the readings numbered `seq`, NaN where unknown; None when none is known."""
    if not known:
        return None
    by_seq = dict(known)
    return np.array([by_seq.get(number, np.nan) for number in seq], dtype=np.float64)
