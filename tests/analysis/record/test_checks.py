"""Checks of indicators in the record: the latest one counts, none is lost, a changed one is seen."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from analysis.arrival import arrival_of
from analysis.indicator_check import Level, Seen, check_indicator
from analysis.record import Store
from config.clock import SteppedClock
from tests.capture.helpers import indicator

RECORD = "record.sqlite"
START = datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(START)


@pytest.fixture
def store(tmp_path: Path, clock: SteppedClock) -> Iterator[Store]:
    with Store.open(tmp_path / RECORD, clock=clock) as opened:
        yield opened


def check(deviation_nm: int = 0, serial: str = "A1") -> object:
    levels = [Level(0, "up", (0,) * 20), Level(1_000_000, "up", (1_000_000 + deviation_nm,) * 20)]
    seen = Seen(np.arange(100) * 0.02, [0, 1_000, 2_000, 1_000] * 25)
    return check_indicator(indicator(serial_number=serial, rate_hz=50), seen, levels)


def test_the_latest_counts_and_the_one_before_a_run_can_be_asked_for(
    store: Store, clock: SteppedClock
) -> None:
    assert store.last_check("tested", "A1") is None
    first = store.save_check(check(0))  # type: ignore[arg-type]
    clock.advance(3600)
    second = store.save_check(check(9_000))  # type: ignore[arg-type]
    found = store.last_check("tested", "A1")
    assert found is not None
    assert (found.id, found.made_utc, found.check.passed) == (second, START + timedelta(hours=1), False)
    earlier = store.last_check("tested", "A1", before=START + timedelta(minutes=5))
    assert earlier is not None
    assert (earlier.id, earlier.check.passed) == (first, True)
    assert store.last_check("tested", "B2") is None  # another instrument of the same name
    assert store.last_check("tested", "A1", before=START - timedelta(seconds=1)) is None
    assert store.verify().differences == ()


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE indicator_check SET passed = 1",
        "DELETE FROM indicator_check",
        "UPDATE indicator_check SET json = '{}'",
    ],
)
def test_a_check_that_was_changed_later_is_seen(store: Store, tmp_path: Path, change: str) -> None:
    store.save_check(check(9_000))  # type: ignore[arg-type]
    with sqlite3.connect(tmp_path / RECORD) as other:
        other.execute(change)
    other.close()
    assert store.verify().differences


def test_an_older_record_gets_the_tables_and_keeps_what_it_has(tmp_path: Path) -> None:
    from analysis.record import database

    path = tmp_path / "old.sqlite"
    connection = database.connect(path)
    database.migrate(connection, path, database.MIGRATIONS[: database.MIGRATIONS.index(database._checks)])
    connection.close()
    with Store.open(path) as store:
        store.save_check(check())  # type: ignore[arg-type]
        assert store.last_check("tested", "A1") is not None
        assert store.verify().differences == ()


def test_how_a_run_arrived_is_kept_beside_the_raw_times(store: Store, tmp_path: Path) -> None:
    """The formula of the column notes gives each time on the line again."""
    arrived = np.maximum.accumulate(np.delete(0.02 * np.arange(200), [90]) + 0.03)
    link = {"link": {"kind": "bluetooth"}}
    ref = store.begin_run("trace", link, settings={}, started_t_ns=7 * 10**9, started_utc=START)
    rows = [(seq, round((7 + t) * 1e9), 0, None, None) for seq, t in enumerate(arrived.tolist())]
    store.append_readings(ref.key, rows)
    store.end_run(ref.key, "done", 10**10)
    found = arrival_of(arrived)
    store.save_arrival(ref.id)
    kept = store.save_arrival(ref.id)  # computed again: replaced
    assert kept.arrived_s == pytest.approx(arrived + 7)
    with sqlite3.connect(tmp_path / RECORD) as other:
        period, offset, p50, missing, straightened, skips = other.execute(
            "SELECT period_ns, offset_ns, delay_p50_ns, missing, straightened, skips FROM run_arrival"
        ).fetchone()
        raw = other.execute("SELECT t_ns FROM reading ORDER BY seq").fetchall()
    other.close()
    assert (missing, straightened, skips) == (1, 1, "[[90, 1]]")
    assert p50 < 1_000
    assert [row[0] for row in raw] == [row[1] - 7 * 10**9 for row in rows]
    times = [(offset + period * (n + (n >= 90))) / 1e9 for n in range(199)]
    assert times == pytest.approx(found.time_s(paced_link=True).tolist(), abs=1e-8)
