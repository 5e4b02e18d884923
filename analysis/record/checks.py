"""Checks of indicators, each kept for good and linked in the chain; and how the readings of a run arrived."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from analysis.arrival import Arrival
from analysis.record import chain
from analysis.record.schema import Column, Table
from analysis.results_check import IndicatorCheck
from config.clock import NS_PER_S

CHECK = "indicator check"
"""The kind of link in the chain; its subject is the id of the check."""

TABLE = Table(
    "indicator_check",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the check; the latest of an indicator counts"),
        Column("id", "TEXT NOT NULL UNIQUE", "name of the check everywhere", "UUIDv7"),
        Column("made_utc", "TEXT NOT NULL", "when it ended", "UTC, RFC 3339"),
        Column("indicator", "TEXT NOT NULL", "name of the indicator"),
        Column("serial_number", "TEXT NOT NULL", "its serial number; empty when not known"),
        Column("run", "TEXT REFERENCES run (id)", "the run with its readings", "UUIDv7"),
        Column("passed", 'INTEGER NOT NULL CHECK ("passed" IN (0, 1))', "1 when nothing spoke against it"),
        Column("worst_mm", "REAL", "largest deviation at a gauge block; null without blocks", "mm"),
        Column("expanded_mm", "REAL", "its expanded uncertainty, about 95 %", "mm"),
        Column("permissible_mm", "REAL", "the permissible error it was judged against", "mm"),
        Column("json", "TEXT NOT NULL", "the whole check", "JSON"),
    ),
    indexes=("CREATE INDEX indicator_check_by_name ON indicator_check (indicator, serial_number, key)",),
)

ARRIVAL = Table(
    "run_arrival",
    (
        Column("run", "INTEGER PRIMARY KEY REFERENCES run (key)", "key of the run"),
        Column("period_ns", "REAL", "the indicator's period in the station's time; null without one", "ns"),
        Column("offset_ns", "REAL", "when sample 0 came with the least delay, from the run's start", "ns"),
        Column("delay_p50_ns", "INTEGER", "median delay above the least one", "ns"),
        Column("delay_p99_ns", "INTEGER", "99th percentile of it", "ns"),
        Column("missing", "INTEGER NOT NULL", "samples that never came", "1"),
        Column(
            "straightened", "INTEGER NOT NULL", "1 when times on the line are better than those of arrival"
        ),
        Column(
            "skips",
            "TEXT NOT NULL",
            "samples missing before a reading: time of reading n on the line is offset_ns + period_ns * "
            "(n + all skips up to it), n counted over the readings with a value",
            "JSON, [[n, missing], ...]",
        ),
    ),
)

UNLINKED = "SELECT id FROM indicator_check EXCEPT SELECT subject FROM chain WHERE what = 'indicator check'"
_COLUMNS = (
    "id", "made_utc", "indicator", "serial_number", "run", "passed", "worst_mm", "expanded_mm",
    "permissible_mm", "json",
)  # fmt: skip
_SELECT = f"SELECT {', '.join(_COLUMNS)} FROM indicator_check"  # noqa: S608 - own names


@dataclass(frozen=True, slots=True)
class KeptCheck:
    """A check as kept: its id, when it ended (UTC), the run with its readings, and what was found."""

    id: str
    made_utc: datetime
    run: str | None
    check: IndicatorCheck


def row_of(check: IndicatorCheck, check_id: str, made_utc: str, run: str | None) -> dict[str, Any]:
    """The row of a check."""
    blocks = check.blocks
    return {
        "id": check_id,
        "made_utc": made_utc,
        "indicator": check.indicator,
        "serial_number": check.serial_number,
        "run": run,
        "passed": int(check.passed),
        "worst_mm": blocks.worst_mm if blocks else None,
        "expanded_mm": blocks.uncertainty_mm.expanded if blocks else None,
        "permissible_mm": blocks.permissible_error_mm if blocks else None,
        "json": json.dumps(check.model_dump(mode="json"), ensure_ascii=False, allow_nan=False),
    }


def last(
    connection: sqlite3.Connection, indicator: str, serial_number: str, before_utc: str | None
) -> KeptCheck | None:
    """The latest check of an indicator, made at or before `before_utc` (RFC 3339) when that is given."""
    row = connection.execute(
        f"{_SELECT} WHERE indicator = ? AND serial_number = ? AND (?3 IS NULL OR made_utc <= ?3)"
        " ORDER BY key DESC LIMIT 1",
        (indicator, serial_number, before_utc),
    ).fetchone()
    return None if row is None else _kept(dict(zip(_COLUMNS, row, strict=True)))


def _kept(row: Mapping[str, Any]) -> KeptCheck:
    check = IndicatorCheck.model_validate(json.loads(row["json"]))
    return KeptCheck(row["id"], datetime.fromisoformat(row["made_utc"]), row["run"], check)


def record_now(connection: sqlite3.Connection, subject: str) -> str | None:
    """SHA-256 of the check that a link is about, hexadecimal; None when it is gone."""
    row = connection.execute(f"{_SELECT} WHERE id = ?", (subject,)).fetchone()
    return None if row is None else chain.record_sha256(dict(zip(_COLUMNS, row, strict=True)), _COLUMNS)


def arrival_row(run: int, started_ns: int, arrival: Arrival, *, paced_link: bool) -> dict[str, Any]:
    """The row that tells how the readings of a run, begun at `started_ns`, arrived."""
    paced = arrival.period_s is not None
    delays = np.quantile(arrival.delay_s, [0.5, 0.99]) * NS_PER_S if paced else (None, None)
    return {
        "run": run,
        "period_ns": arrival.period_s * NS_PER_S if arrival.period_s is not None else None,
        "offset_ns": arrival.offset_s * NS_PER_S - started_ns if arrival.offset_s is not None else None,
        "delay_p50_ns": None if delays[0] is None else round(float(delays[0])),
        "delay_p99_ns": None if delays[1] is None else round(float(delays[1])),
        "missing": arrival.missing,
        "straightened": int(arrival.straightened(paced_link=paced_link)),
        "skips": json.dumps(arrival.skips()),
    }
