"""The time of day is set, jumps a zone, or stands still in a sleep of the computer: no figure changes."""

from __future__ import annotations

import asyncio
import os
import time
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from analysis.record import RunRecord, Store
from capture.clock_watch import ClockWatch
from capture.folder import DATABASE
from capture.messages import RunRequest
from config.clock import SystemClock
from tests.capture.helpers import ManualClock
from tests.capture.test_bench import Station, at_work

STEPS = (timedelta(hours=-1), timedelta(days=365))
"""One after the other, in the second turn and in the third; a sleep looks as if the clock was set forward."""
TURN = 120  # readings


async def measured(folder: Path, steps: tuple[timedelta, ...] = ()) -> RunRecord:
    """Three turns with their marks; in the middle of the second and the third the time of day may step."""
    at = {TURN * (3 + 2 * number) // 2: step for number, step in enumerate(steps)}
    async with at_work(folder) as station:
        begun = await station.bench.start_run(RunRequest(kind="runout", limit="0.05 mm"))
        for number in range(3 * TURN + 1):
            station.clock.ahead += at.get(number, timedelta(0))
            if number % TURN == 0:
                station.bench.mark(begun.run)
            await station.send([round(20 + 15 * np.sin(2 * np.pi * number / TURN))])
        await finished(station, begun.run)
    with Store.open(folder / DATABASE) as store:
        assert store.verify().differences == ()
        return store.run("last")


async def finished(station: Station, run: str) -> None:
    stopping = asyncio.create_task(station.bench.stop_run(run))
    while not stopping.done():
        await station.clock.run_for(0.05)
        await asyncio.sleep(0.002)
    await stopping


async def test_a_step_in_mid_run_changes_no_figure_and_is_in_the_record(tmp_path: Path) -> None:
    plain, stepped = await measured(tmp_path / "plain"), await measured(tmp_path / "stepped", STEPS)
    assert plain.results[-1]["turns"]["total"] == pytest.approx(3.0, abs=0.05)
    assert stepped.results == plain.results  # figures, durations and turns, to the last bit
    assert stepped.marks_s == plain.marks_s
    for name in ("duration_s", "readings", "started_utc", "verdict", "value_mm"):
        assert getattr(stepped.summary, name) == getattr(plain.summary, name)
    assert not [event for event in plain.events if event.code == "clock_stepped"]
    back, forward = (event.text for event in stepped.events if event.code == "clock_stepped")
    assert "was set back by 3600.0 s" in back
    assert "went forward by 31536000.0 s: it was set, or the computer slept" in forward


async def test_the_last_run_is_the_one_begun_last_though_the_clock_was_set_back(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        begun = []
        for ahead in (timedelta(hours=2), timedelta(0)):
            station.clock.ahead = ahead
            begun.append(await station.bench.start_run(RunRequest(kind="trace")))
            await station.send([1, 2, 3])
            await finished(station, begun[-1].run)
    with Store.open(tmp_path / DATABASE) as store:
        assert store.run("last").summary.id == begun[1].run
        utc = [store.run(each.run).summary.started_utc for each in begun]
    assert [each[:16] for each in utc] == ["2026-01-01T02:00", "2026-01-01T00:00"]


def test_a_slewed_clock_is_no_step_and_each_step_is_told_once() -> None:
    clock = ManualClock()
    watch = ClockWatch(clock)
    for _ in range(10_000):  # a time server at the fastest it may slew: 500 parts in a million
        clock._now_ns += 500_000_000
        clock.ahead += timedelta(microseconds=250)
        assert watch.look() is None
    clock.ahead += timedelta(seconds=-30)
    assert watch.look() == pytest.approx(-30, abs=0.01)
    assert watch.look() is None


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process can be changed on POSIX only")
def test_the_zone_of_the_computer_is_in_no_time_of_the_record(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SystemClock()
    before = clock.utc()
    try:
        monkeypatch.setenv("TZ", "Pacific/Auckland" if os.environ.get("TZ") != "Pacific/Auckland" else "UTC")
        time.tzset()
        after = clock.utc()
    finally:
        monkeypatch.undo()
        time.tzset()
    assert timedelta(0) <= after - before < timedelta(seconds=5)
    assert after.utcoffset() == timedelta(0)
