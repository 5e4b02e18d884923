"""The readings of a run so far: kept apart when the unit changes, marked, and seen to move."""

from __future__ import annotations

import random

import numpy as np
import pytest

from capture.reading import Fault, Reading
from capture.run_buffer import MOST_KEPT, RunBuffer

MS = 1_000_000


def fill(buffer: RunBuffer, lengths_nm: list[int], step_ms: int = 20, first_ms: int = 0) -> None:
    readings = [
        Reading((first_ms + i * step_ms) * MS, length_nm, "mm") for i, length_nm in enumerate(lengths_nm)
    ]
    buffer.add(readings)


def test_readings_become_rows_and_a_trace() -> None:
    buffer = RunBuffer(100 * MS, 1_000)
    rows = buffer.add([Reading(120 * MS, 1_000, "mm"), Reading(140 * MS, -2_000, "mm", "hold is on", "x")])
    assert rows == [(0, 120 * MS, 1_000, None, None), (1, 140 * MS, -2_000, "hold is on", "x")]
    trace = buffer.trace()
    assert trace.time_s.tolist() == [0.02, 0.04]
    assert trace.reading_um.tolist() == [1.0, -2.0]
    assert trace.flag is not None
    assert trace.flag.tolist() == ["", "hold is on"]
    assert trace.resolution_um == 1.0


def test_readings_in_another_unit_than_the_run_began_in_are_flagged() -> None:
    buffer = RunBuffer(0, 1_000)
    buffer.add([Reading(0, 1_000, "mm")])
    buffer.add([Reading(MS, 2_540, "in"), Reading(2 * MS, 1_000, "mm")])
    flag = buffer.trace().flag
    assert flag is not None
    assert flag.tolist() == ["", "written in in, the run began in mm", ""]
    assert buffer.flagged == 1


def test_what_is_no_reading_takes_a_place_in_the_record_but_not_in_the_trace() -> None:
    buffer = RunBuffer(0, 1_000)
    fill(buffer, [0])
    assert buffer.add_faults([Fault(MS, "unreadable", "not a line", "??")]) == [
        (1, MS, None, "not a line", "??")
    ]
    assert buffer.add([Reading(2 * MS, 0, "mm")])[0][0] == 2
    assert len(buffer.trace()) == 2


def test_a_mark_belongs_to_the_nearest_reading() -> None:
    buffer = RunBuffer(0, 1_000)
    fill(buffer, [0] * 10)
    buffer.add_mark(51 * MS)
    buffer.add_mark(1_000 * MS)
    mark = buffer.trace().mark
    assert mark is not None
    assert np.flatnonzero(mark).tolist() == [3, 9]  # 60 ms, and the last


@pytest.mark.parametrize(
    ("lengths_um", "moving"),
    [
        ([0] * 100, False),
        ([0, 1] * 50, False),  # flicker between two steps
        ([0, 1, 2, 1] * 25, False),
        (list(range(100)), True),
        ([0] * 80 + [4] * 20, True),
        ([40] * 20 + [0] * 80, False),  # moved, but 1.6 s ago
    ],
)
def test_motion(lengths_um: list[int], moving: bool) -> None:
    buffer = RunBuffer(0, 1_000)
    fill(buffer, [1_000 * length for length in lengths_um])
    assert buffer.moving(1.5) is moving


def test_a_noisy_indicator_at_rest_does_not_move() -> None:
    noise = random.Random(1)
    moved = 0
    for _ in range(50):
        buffer = RunBuffer(0, 1_000)
        fill(buffer, [1_000 * round(noise.gauss(0, 2)) for _ in range(200)])
        moved += bool(buffer.moving(1.5))
    assert moved <= 2


def test_one_reading_tells_nothing() -> None:
    buffer = RunBuffer(0, 1_000)
    fill(buffer, [0])
    assert buffer.moving(1.5) is None


def test_a_run_that_goes_on_for_days_keeps_only_its_latest_readings() -> None:
    buffer = RunBuffer(0, 1_000, keeps_all=False)
    for part in range(100):
        fill(buffer, [part * 1_000] * 500, first_ms=part * 10_000)
    assert len(buffer) == 50_000
    assert len(buffer._t_ns) < MOST_KEPT
    assert buffer.first_t_ns == 0
    assert buffer.last_t_ns == (99 * 10_000 + 499 * 20) * MS
    assert buffer.moving(1.0) is False
    fill(buffer, [200_000], first_ms=1_000_000)
    assert buffer.moving(1.0) is True
    assert buffer.add([Reading(1_000_001 * MS, 0, "mm")])[0][0] == 50_001
