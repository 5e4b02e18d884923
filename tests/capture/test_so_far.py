"""What a look at a run tells the pictures, against the closed forms from which the readings were made."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.measure import measure_runout
from analysis.trace import Trace
from analysis.values import Setup
from analysis.wanted import NotWantedError
from capture.messages import RunRequest, SoFar
from capture.so_far import look
from tests.capture.test_bench import at_work

STARTED_NS = 7_000_000_000
TURN_S = 5.0
FIRST_MARK_S = 1.0
RATE_HZ = 20.0


def turned(turns: float) -> Trace:
    """A tilted flange turned evenly; the index mark passes at 1 s, 6 s, 11 s …"""
    time_s = np.arange(0.0, FIRST_MARK_S + turns * TURN_S, 1 / RATE_HZ)
    angle = 2 * np.pi * (time_s - FIRST_MARK_S) / TURN_S
    mark = np.zeros(time_s.size, dtype=np.bool_)
    for at_s in np.arange(FIRST_MARK_S, time_s[-1], TURN_S):
        mark[np.argmin(np.abs(time_s - at_s))] = True
    return Trace(time_s, np.round(40.0 * np.cos(angle)), mark=mark, resolution_um=1.0)


def test_angles_are_told_from_the_index_mark_at_the_times_of_the_readings() -> None:
    result, shown = look("r", RunRequest(kind="runout"), turned(2.2), Setup(), STARTED_NS)
    assert result is not None
    assert shown is not None
    assert shown.from_mark
    time_s = (np.array(shown.t_ns) - STARTED_NS) / 1e9
    truth = 360.0 * (time_s - FIRST_MARK_S) / TURN_S
    between_marks = (truth >= 0) & (truth <= 720)
    assert np.abs(np.array(shown.angle_deg) - truth)[between_marks].max() < 8.0
    assert 2.0 * 36 <= len(shown.t_ns) <= 2.5 * 36 + 20  # thin enough to be told again and again


async def test_two_index_marks_tell_the_angle_at_once_for_who_watches(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        run = (await station.bench.start_run(RunRequest(kind="runout"))).run
        await station.send([1, 2])
        heard = station.bench.fanout.subscribe()
        for _ in range(3):
            station.bench.mark(run)
            await station.clock.run_for(2.0)
        await station.bench.end_runs()
        station.bench.fanout.close()
        told = [message async for message in heard.messages() if isinstance(message, SoFar)]
    assert [message.angle_deg for message in told] == [(0.0, 360.0), (0.0, 360.0, 720.0)]
    assert np.diff(told[1].t_ns).tolist() == [2e9, 2e9]


def test_before_a_whole_turn_no_angle_is_told() -> None:
    result, shown = look("r", RunRequest(kind="runout"), turned(0.5), Setup(), STARTED_NS)
    assert result is not None
    assert shown is None


def test_strokes_are_told_with_the_play_they_come_to() -> None:
    time_s = np.arange(0.0, 12.0, 1 / RATE_HZ)
    reading = np.where((time_s // 2.0) % 2 == 0, 0.0, 60.0)  # two seconds in, two seconds out
    _, shown = look("r", RunRequest(kind="endplay"), Trace(time_s, reading, resolution_um=1.0), Setup(), 0)
    assert shown is not None
    assert len(shown.strokes) >= 2
    assert shown.play_mm == pytest.approx(0.060, abs=0.002)
    assert shown.t_ns == ()


def test_a_rest_check_shows_nothing_so_far() -> None:
    trace = Trace(np.arange(0.0, 3.0, 0.05), np.zeros(60), resolution_um=1.0)
    result, shown = look("r", RunRequest(kind="rest"), trace, Setup(), 0)
    assert result is not None
    assert shown is None


def test_a_look_that_nobody_waits_for_any_more_ends_at_its_next_fit() -> None:
    marked = turned(3.2)
    trace = Trace(marked.time_s, marked.reading_um, resolution_um=1.0)  # no marks: a search
    asked = 0

    def wanted() -> bool:
        nonlocal asked
        asked += 1
        return asked < 3

    with pytest.raises(NotWantedError):
        look("r", RunRequest(kind="runout"), trace, Setup(), STARTED_NS, wanted)
    assert asked == 3
    again, _ = look("r", RunRequest(kind="runout"), trace, Setup(), STARTED_NS)  # nothing of it lasts
    assert asked == 3
    assert again == measure_runout(trace)
