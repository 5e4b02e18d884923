"""Two indicators paired by when their readings were taken, on links whose true times are known."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.arrival import arrival_of
from analysis.trace import FloatArray, Trace
from analysis.two_indicators import paired
from tests.analysis.test_arrival import radio

LEAST_DELAY_S = 0.004


def surface_um(time_s: FloatArray) -> FloatArray:
    """A hub turned in 2 s: 100 um of run-out, at most 0.16 um in a millisecond."""
    return np.asarray(50.0 * np.sin(np.pi * time_s))


def trace(taken_s: FloatArray, arrived_s: FloatArray) -> Trace:
    return Trace(time_s=arrived_s, reading_um=surface_um(taken_s), resolution_um=1.0)


def wire(count: int = 900) -> tuple[FloatArray, FloatArray]:
    taken = 0.013 + 0.02 * np.arange(count)
    return taken, taken + np.random.default_rng(9).uniform(0.0002, 0.0008, count)


@pytest.mark.parametrize("seed", range(4))
def test_a_radio_beside_a_wire_differs_by_what_no_arrival_can_tell(seed: int) -> None:
    """As arrived the pairs are up to 15 um off; with the delays taken out it is under 1 um."""
    taken, arrived = wire()
    taken2, arrived2 = radio(seed, lost=0.0)
    first, second = trace(taken, arrived), trace(taken2, arrived2)
    found = paired(first, second, arrival_of(arrived), arrival_of(arrived2), paced=False, second_paced=True)
    assert found.reading2_um is not None
    both = np.isfinite(found.reading2_um)
    assert both.mean() > 0.95
    # the radio's least delay shifts the pairs by a part of a reading: 10 ms + 4 ms at most
    off = found.reading2_um[both] - surface_um(taken[both])
    assert np.max(np.abs(off)) < 50.0 * np.pi * (0.010 + LEAST_DELAY_S + 0.001)
    raw = paired(first, second, arrival_of(arrived), _as_arrived(arrived2), paced=False, second_paced=False)
    assert raw.reading2_um is not None
    given = np.isfinite(raw.reading2_um)
    rough = raw.reading2_um[given] - surface_um(taken[given])
    assert np.std(off) < 0.5 * np.std(rough)
    assert given.mean() < 0.7  # bunches fall on few rows


def _as_arrived(arrived_s: FloatArray):
    plain = arrival_of(arrived_s[:0])
    return type(plain)(arrived_s, np.arange(arrived_s.size), None, None, np.zeros(arrived_s.size), 0)


def test_a_slower_second_stands_in_one_row_each_and_is_never_repeated() -> None:
    taken, arrived = wire(200)
    slow = taken[::5] + 0.003
    found = paired(
        trace(taken, arrived), trace(slow, slow), arrival_of(arrived), arrival_of(slow),
        paced=False, second_paced=False,
    )  # fmt: skip
    assert found.reading2_um is not None
    assert np.flatnonzero(np.isfinite(found.reading2_um)).tolist() == list(range(0, 200, 5))
    assert np.array_equal(found.time_s, arrived)


def test_rejected_readings_of_the_second_and_a_second_that_is_gone_are_left_out() -> None:
    taken, arrived = wire(100)
    second = trace(taken[:50], arrived[:50])
    flag = np.where(np.arange(50) == 7, "hold is on", "")
    second = Trace(second.time_s, second.reading_um, flag=flag)
    found = paired(
        trace(taken, arrived), second, arrival_of(arrived), arrival_of(arrived[:50]),
        paced=False, second_paced=False,
    )  # fmt: skip
    assert found.reading2_um is not None
    there = np.isfinite(found.reading2_um)
    assert not there[7]
    assert there[:50].sum() == 49
    assert not there[51:].any()


def test_times_of_a_radio_are_those_of_taking_and_begin_where_they_did() -> None:
    taken, arrived = radio(2, lost=0.0)
    first = trace(taken, arrived)
    found = paired(
        first, trace(*wire()), arrival_of(arrived), arrival_of(wire()[1]), paced=True, second_paced=False
    )
    assert found.time_s[0] == arrived[0]
    assert np.allclose(np.diff(found.time_s), np.diff(taken), atol=2e-5)
    assert np.array_equal(found.reading_um, first.reading_um)
