"""What is asked of the record: lists, one run, its trace, and the canonical form of its records."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.record import angles, chain, keeping
from analysis.trace import BoolArray, FloatArray, Trace
from analysis.trace_times import spread_equal_times
from config.clock import NS_PER_S
from config.errors import InputError

NM_PER_UM = 1_000.0
INCH_STEP_NM = 254  # 0.00001 in
LAST = "last"


@dataclass(frozen=True, slots=True)
class RunRef:
    """A run: its `id` everywhere, its `key` in this file."""

    id: str
    key: int


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One line of the list of runs; lengths in mm, of the latest result. `kept`: the latest word."""

    id: str
    started_utc: str
    kind: str
    state: str
    duration_s: float | None
    readings: int
    rejected: int
    indicator: str | None
    job: str | None
    wheel: str | None
    stage: str | None
    verdict: str | None
    value_mm: float | None
    expanded_mm: float | None
    points_to: str | None
    kept: str | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened in a run, `time_s` after its start."""

    time_s: float
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class RunRecord:
    """Everything about one run but its readings.

    Attributes:
        summary: the line of the list.
        key: of the run in this file.
        indicator: the indicator's description as it was.
        settings: what the run was started with.
        marks_s: when the index mark passed, seconds from the start.
        events: in order of time.
        results: as analysed, oldest first.
        unread: lines of the indicator that gave no value (kept with their bytes in the database).
        said: whether it was kept or thrown away, and why; oldest first, the latest counts.
    """

    summary: RunSummary
    key: int
    indicator: Mapping[str, Any]
    settings: Mapping[str, Any]
    marks_s: tuple[float, ...]
    events: tuple[Event, ...]
    results: tuple[Mapping[str, Any], ...]
    unread: int
    said: tuple[keeping.Said, ...] = ()


def rfc3339(when: datetime) -> str:
    """UTC in RFC 3339 with microseconds and ``Z``."""
    return when.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


_SUMMARY = ", ".join(
    f"({keeping.LATEST}) AS kept" if name == "kept" else name for name in RunSummary.__dataclass_fields__
)


def runs(
    connection: sqlite3.Connection, *, kind: str | None, job: str | None, wheel: str | None, last: int | None
) -> tuple[RunSummary, ...]:
    """Lines of the list, the newest first."""
    asked = {"kind": kind, "job": job, "wheel": wheel}
    given = {name: value for name, value in asked.items() if value is not None}
    where = " AND ".join(f"{name} = :{name}" for name in given) or "1"
    rows = connection.execute(
        f"SELECT {_SUMMARY} FROM run_list WHERE {where} ORDER BY id DESC LIMIT :last",  # noqa: S608 - own names
        {**given, "last": -1 if last is None else last},
    )
    return tuple(RunSummary(*row) for row in rows)


def find(connection: sqlite3.Connection, id_or_prefix: str) -> RunRef:
    """The run of that id, of a unique beginning of one, or the ``last`` one.

    Raises:
        InputError: none, or more than one.
    """
    asked = id_or_prefix.strip().lower()
    if asked == LAST:
        # By order of writing: a time of day that was set back would make an older run the last.
        row = connection.execute("SELECT id, key FROM run ORDER BY key DESC LIMIT 1").fetchone()
        if row is None:
            raise InputError("there is no run yet", where=LAST, do="measure first")
        return RunRef(*row)
    found = connection.execute(
        "SELECT id, key FROM run WHERE id >= ? AND id < ? ORDER BY id", (asked, asked + "g")
    ).fetchall()
    if len(found) == 1 and asked:
        return RunRef(*found[0])
    if not found or not asked:
        raise InputError(
            f"no run has an id that begins with {id_or_prefix!r}",
            expected="an id, its beginning, or 'last'",
            do="see 'hubproof runs list'",
        )
    raise InputError(
        f"{len(found)} runs have ids that begin with {id_or_prefix!r}", expected="more of the id"
    )


def run(connection: sqlite3.Connection, id_or_prefix: str) -> RunRecord:
    """Everything about one run but its readings."""
    ref = find(connection, id_or_prefix)
    summary = connection.execute(
        f"SELECT {_SUMMARY} FROM run_list WHERE id = ?",  # noqa: S608 - own names
        (ref.id,),
    ).fetchone()
    indicator, settings = connection.execute(
        "SELECT indicator, settings FROM run WHERE key = ?", (ref.key,)
    ).fetchone()
    events = connection.execute(
        "SELECT t_ns, code, text FROM event WHERE run = ? ORDER BY t_ns, key", (ref.key,)
    ).fetchall()
    results = connection.execute("SELECT json FROM result WHERE run = ? ORDER BY key", (ref.key,)).fetchall()
    unread = connection.execute(
        "SELECT count(*) FROM reading WHERE run = ? AND length_nm IS NULL", (ref.key,)
    ).fetchone()
    return RunRecord(
        summary=RunSummary(*summary),
        key=ref.key,
        indicator=json.loads(indicator),
        settings=json.loads(settings),
        marks_s=tuple(t_ns / NS_PER_S for t_ns in marks(connection, ref.key)),
        events=tuple(Event(t_ns / NS_PER_S, code, text) for t_ns, code, text in events),
        results=tuple(json.loads(text) for (text,) in results),
        unread=unread[0],
        said=keeping.said_of(connection, ref.id),
    )


def marks(connection: sqlite3.Connection, key: int) -> list[int]:
    """When the index mark passed, ns from the run's start, in order."""
    return [
        t_ns for (t_ns,) in connection.execute("SELECT t_ns FROM mark WHERE run = ? ORDER BY t_ns", (key,))
    ]


def trace(connection: sqlite3.Connection, record: RunRecord) -> Trace:
    """The readings of a run that have a value. A mark belongs to the reading nearest to it in time.

    Readings that arrived in one piece have one time of arrival; here, as in a file, they are spread.
    """
    rows = connection.execute(
        "SELECT t_ns, length_nm, coalesce(flag, ''), seq FROM reading"
        " WHERE run = ? AND length_nm IS NOT NULL ORDER BY seq",
        (record.key,),
    ).fetchall()
    t_ns = np.array([row[0] for row in rows], dtype=np.int64)
    length_nm = np.array([row[1] for row in rows], dtype=np.int64)
    flags = np.array([row[2] for row in rows], dtype=np.str_)
    time_s: FloatArray = spread_equal_times(t_ns / float(NS_PER_S))
    resolution_nm = record.indicator.get("resolution_nm")
    return Trace(
        time_s=time_s,
        reading_um=length_nm / NM_PER_UM,
        mark=_nearest(time_s, np.array(record.marks_s)),
        angle_deg=angles.angle_array(angles.angles_of(connection, record.key), [row[3] for row in rows]),
        flag=flags if np.any(flags != "") else None,
        resolution_um=None if resolution_nm is None else resolution_nm / NM_PER_UM,
        unit=_unit(length_nm[flags == ""]),
    )


def _unit(length_nm: NDArray[np.int64]) -> str:
    """The unit the indicator counts in: inch steps are whole multiples of 254 nm and seldom whole um."""
    in_inches = not np.any(length_nm % INCH_STEP_NM) and np.any(length_nm % int(NM_PER_UM))
    return "in" if in_inches else "mm"


def _nearest(time_s: FloatArray, marks_s: FloatArray) -> BoolArray | None:
    if not marks_s.size or not time_s.size:
        return None
    after = np.clip(np.searchsorted(time_s, marks_s), 1, max(1, time_s.size - 1))
    after = np.minimum(after, time_s.size - 1)
    before = np.maximum(after - 1, 0)
    nearer_before = marks_s - time_s[before] <= time_s[after] - marks_s
    marked = np.zeros(time_s.size, dtype=np.bool_)
    marked[np.where(nearer_before, before, after)] = True
    return marked


def profiles_um(connection: sqlite3.Connection, key: int) -> FloatArray:
    """(turns, angles) micrometres of the latest result of a run, NaN where nothing was read."""
    rows = connection.execute(
        "SELECT length_nm FROM turn_profile WHERE result = (SELECT max(key) FROM result WHERE run = ?)"
        " ORDER BY turn",
        (key,),
    ).fetchall()
    kept = [[np.nan if nm is None else nm / NM_PER_UM for nm in json.loads(text)] for (text,) in rows]
    return np.array(kept, dtype=np.float64).reshape(len(kept), -1) if kept else np.empty((0, 0))


# For the hash chain ------------------------------------------------------------------------------


def run_id(connection: sqlite3.Connection, key: int) -> str:
    """The id of a run by its key.

    Raises:
        InputError: no run has that key.
    """
    found = _id_or_none(connection, key)
    if found is None:
        raise InputError(f"there is no run number {key}")
    return found


def last_t_ns(connection: sqlite3.Connection, key: int) -> int:
    """The last instant that anything of a run was stored for, ns from its start; 0 when nothing was."""
    row = connection.execute(
        "SELECT max(t_ns) FROM (SELECT t_ns FROM reading WHERE run = :key"
        " UNION ALL SELECT t_ns FROM mark WHERE run = :key"
        " UNION ALL SELECT t_ns FROM event WHERE run = :key)",
        {"key": key},
    ).fetchone()
    return int(row[0] or 0)


def last_link(connection: sqlite3.Connection) -> str:
    """The SHA-256 of the chain's last link, hexadecimal."""
    row = connection.execute("SELECT link_sha256 FROM chain ORDER BY seq DESC LIMIT 1").fetchone()
    return str(row[0]) if row else chain.FIRST_LINK


def all_links(connection: sqlite3.Connection) -> list[str]:
    """SHA-256 of every link of the chain."""
    return [link for (link,) in connection.execute("SELECT link_sha256 FROM chain")]


def run_sha256(connection: sqlite3.Connection, key: int) -> str:
    """SHA-256 of an ended run with its marks and events, hexadecimal; its readings are in by their own."""
    events = connection.execute(
        "SELECT t_ns, code, text FROM event WHERE run = ? ORDER BY t_ns, key", (key,)
    ).fetchall()
    known = angles.angles_of(connection, key)
    # Runs without angles keep the form that they had before angles were kept.
    more = {"angles": known} if known else {}
    return chain.record_sha256(
        _row(connection, "run", chain.RUN_ENDED, key),
        chain.RUN_ENDED,
        marks=marks(connection, key),
        events=events,
        **more,
    )


def begun_sha256(connection: sqlite3.Connection, key: int) -> str:
    """SHA-256 of what a run was begun with, hexadecimal."""
    return chain.record_sha256(_row(connection, "run", chain.RUN_BEGUN, key), chain.RUN_BEGUN)


def result_sha256(connection: sqlite3.Connection, key: int) -> str:
    """SHA-256 of a result with its run's id and its profiles, hexadecimal."""
    profiles = connection.execute(
        "SELECT turn, step_deg, length_nm FROM turn_profile WHERE result = ? ORDER BY turn", (key,)
    ).fetchall()
    run_key = connection.execute("SELECT run FROM result WHERE key = ?", (key,)).fetchone()[0]
    return chain.record_sha256(
        _row(connection, "result", chain.RESULT, key),
        chain.RESULT,
        run=_id_or_none(connection, run_key),
        profiles=profiles,
    )


def _id_or_none(connection: sqlite3.Connection, key: int) -> str | None:
    row = connection.execute("SELECT id FROM run WHERE key = ?", (key,)).fetchone()
    return str(row[0]) if row else None


def _row(connection: sqlite3.Connection, table: str, columns: tuple[str, ...], key: int) -> dict[str, Any]:
    values = connection.execute(
        f'SELECT {", ".join(columns)} FROM "{table}" WHERE key = ?',  # noqa: S608 - own names
        (key,),
    ).fetchone()
    return dict(zip(columns, values, strict=True))
