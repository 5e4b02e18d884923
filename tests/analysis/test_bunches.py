"""Readings that a busy computer or an adapter hands over together, all with nearly one time of arrival.

The truth is the time at which each was taken, and the flange and the turns behind the trace.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.cleaning_clock import working_time
from analysis.measure import measure_runout
from analysis.trace import FloatArray
from tests.analysis.turns.made_traces import made

DECODED_S = 5e-6  # from one line of a chunk to the next


def arrivals(taken_s: FloatArray, every_s: float) -> FloatArray:
    """Times at which readings arrive when they are handed over once in `every_s`."""
    woken = np.ceil(taken_s / every_s) * every_s
    return woken + DECODED_S * (np.arange(taken_s.size) - np.searchsorted(woken, woken))


def worked_out(time_s: FloatArray) -> FloatArray:
    return working_time(time_s, np.zeros(time_s.size), 0.3, np.ones(time_s.size, bool))


def test_even_readings_in_bunches_are_found_even_again() -> None:
    taken_s = np.arange(400) * 0.02 + 0.013
    found_s = worked_out(arrivals(taken_s, 0.1))
    np.testing.assert_allclose(np.diff(found_s), 0.02, atol=1e-4)


def test_what_was_held_up_for_seconds_is_spread_over_them() -> None:
    taken_s = np.arange(400) * 0.02
    held = (taken_s >= 3.0) & (taken_s < 6.0)
    time_s = taken_s.copy()
    time_s[held] = 6.0 + DECODED_S * (np.arange(held.sum()) - held.sum())
    np.testing.assert_allclose(worked_out(time_s), taken_s, atol=0.02)


def test_a_bunch_after_lost_readings_is_not_stretched_over_the_loss() -> None:
    one_by_one_s = np.arange(100) * 0.02
    time_s = np.concatenate([one_by_one_s, 10.0 + DECODED_S * np.arange(3), 10.02 + one_by_one_s])
    found_s = worked_out(time_s)
    assert np.diff(found_s[100:103]).max() < 0.021


@pytest.mark.parametrize("every_s", [0.004, 0.02])
def test_readings_that_come_one_by_one_keep_their_times(every_s: float) -> None:
    time_s = np.cumsum(np.random.default_rng(3).uniform(0.5, 1.5, 300) * every_s)
    assert worked_out(time_s) is time_s


@pytest.mark.parametrize("seed", [12, 16])
def test_turns_and_run_out_do_not_suffer(seed: int) -> None:
    one = made(seed, rate_hz=40.0)
    trace = replace(one.trace, time_s=arrivals(one.trace.time_s + 0.01, 0.1))
    result = measure_runout(trace)
    assert result.turns.total == pytest.approx(one.total, abs=0.1)
    assert result.fim_mm.repeatable is not None
    assert result.uncertainty_mm is not None
    assert 1e3 * result.fim_mm.repeatable == pytest.approx(one.flange.run_out_um, abs=0.3)
    assert 1e3 * result.uncertainty_mm.expanded < 1.0
