"""The trace of a run, with the second indicator's readings beside it where there was one."""

from __future__ import annotations

import sqlite3

import numpy as np

from analysis.arrival import Arrival, arrival_of
from analysis.record import queries
from analysis.record.queries import RunRecord
from analysis.trace import FloatArray, Trace
from analysis.two_indicators import paired
from config.clock import NS_PER_S

SECOND_RUN = "second_run"
"""Setting of a run: the id of the run that recorded the second indicator at the same time."""


def whole_trace(connection: sqlite3.Connection, record: RunRecord) -> Trace:
    """The readings of a run; of a run with a second indicator its readings beside them.

    Raises:
        InputError: the run of the second indicator is not there.
    """
    first = queries.trace(connection, record)
    if SECOND_RUN not in record.settings:
        return first
    other = queries.run(connection, str(record.settings[SECOND_RUN]))
    return paired(
        first,
        queries.trace(connection, other),
        arrival(connection, record),
        arrival(connection, other),
        paced=paced_link(record),
        second_paced=paced_link(other),
    )


def arrival(connection: sqlite3.Connection, record: RunRecord) -> Arrival:
    """How the readings of a run arrived, in seconds of the station's monotonic clock."""
    return arrival_of(arrived_s(connection, record))


def arrived_s(connection: sqlite3.Connection, record: RunRecord) -> FloatArray:
    """When each reading with a value arrived, (n,) seconds of the station's monotonic clock."""
    rows = connection.execute(
        "SELECT t_ns FROM reading WHERE run = ? AND length_nm IS NOT NULL ORDER BY seq", (record.key,)
    ).fetchall()
    return (np.array([row[0] for row in rows], dtype=np.int64) + started_ns(connection, record)) / NS_PER_S


def started_ns(connection: sqlite3.Connection, record: RunRecord) -> int:
    """The station's monotonic clock as the run began."""
    row = connection.execute("SELECT started_t_ns FROM run WHERE key = ?", (record.key,)).fetchone()
    return int(row[0])


def paced_link(record: RunRecord) -> bool:
    """Whether the indicator's link is known to hold readings back, as a radio does."""
    link = record.indicator.get("link")
    return isinstance(link, dict) and link.get("kind") == "bluetooth"
