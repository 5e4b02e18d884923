"""Arrival patterns of links whose true sampling times are known."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.optimize import linprog

from analysis.arrival import Arrival, arrival_of
from analysis.trace import FloatArray

AHEAD_PPM = 60.0
"""How much slower the indicator's clock runs than the station's."""


def radio(
    seed: int, *, count: int = 900, period_s: float = 0.02, every_s: float = 0.0275, failed: float = 0.2,
    lost: float = 0.004,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """True sampling times and arrivals over a radio that delivers at connection events, some of which fail.

    What a failed event carried comes with the next (a burst); a share of the samples is lost for good.
    """
    rng = np.random.default_rng(seed)
    taken = 0.01 + period_s * (1.0 + AHEAD_PPM * 1e-6) * np.arange(count)
    taken = taken[(rng.random(count) >= lost) | (np.arange(count) == 0)]
    events = np.arange(0.0, taken[-1] + 3.0, every_s) + 0.004
    events = events[rng.random(events.size) >= failed]
    arrived = events[np.searchsorted(events, taken)] + rng.exponential(0.0003, taken.size)
    return taken, np.maximum.accumulate(arrived)


@pytest.mark.parametrize("seed", range(6))
def test_bursts_and_losses_of_a_radio_are_taken_out(seed: int) -> None:
    taken, arrived = radio(seed)
    found = arrival_of(arrived)
    assert found.period_s == pytest.approx(0.02 * (1 + AHEAD_PPM * 1e-6), rel=500e-6)
    spread_raw = float(np.std(arrived - taken))
    spread = float(np.std(found.time_s() - taken))
    assert spread_raw > 0.015
    assert spread < 0.25 * spread_raw
    truly = 900 - taken.size
    assert abs(found.missing - truly) <= 1  # one lost within the last burst cannot be told yet
    # away from the losses, where it may be a sample off, it is right within a few milliseconds
    error = found.time_s() - taken
    assert np.mean(np.abs(error - np.median(error)) < 0.004) > 0.95


def test_without_losses_every_sample_is_right_within_two_milliseconds() -> None:
    taken, arrived = radio(1, lost=0.0)
    error = arrival_of(arrived).time_s() - taken
    assert np.ptp(arrived - taken) > 0.08
    assert np.ptp(error) < 0.002
    assert arrival_of(arrived).missing == 0


def test_the_line_is_the_optimum_of_the_linear_programme() -> None:
    """Against SciPy's solver (HiGHS) on the same programme: largest line that stays below all arrivals."""
    _, arrived = radio(3, count=300, lost=0.0)
    found = arrival_of(arrived)
    count = found.count.astype(float)
    best = linprog(
        c=[-float(count.size), -float(count.sum())],
        A_ub=np.column_stack([np.ones(count.size), count]),
        b_ub=arrived,
        bounds=[(None, None), (0, None)],
    )
    assert (found.offset_s, found.period_s) == pytest.approx(tuple(best.x), abs=1e-9)


def test_an_indicator_s_own_unevenness_is_left_as_it_is() -> None:
    """8 % of a period either way, straight over a wire: a line would only move the times away."""
    rng = np.random.default_rng(5)
    taken = 0.02 * (np.arange(500) + rng.uniform(-0.08, 0.08, 500))
    found = arrival_of(taken + 0.0002)
    assert not found.bunched
    assert np.array_equal(found.time_s(), taken + 0.0002)
    assert found.missing == 0


def test_slow_readings_over_a_radio_are_straightened_when_the_link_is_known_to_hold_back() -> None:
    taken, arrived = radio(6, count=200, period_s=0.1, failed=0.1, lost=0.0)
    found = arrival_of(arrived)
    assert not found.bunched
    error = found.time_s(paced_link=True) - taken
    assert np.std(error) < 0.1 * np.std(arrived - taken)


def test_a_lost_sample_is_a_skip_at_its_place() -> None:
    arrived = 0.02 * np.delete(np.arange(100), [40, 41, 70])
    found = arrival_of(arrived)
    assert found.skips() == [(40, 2), (68, 1)]
    assert found.missing == 3


@pytest.mark.parametrize(
    "arrived",
    [
        np.empty(0),
        np.arange(5) * 0.02,
        np.zeros(50),
        np.cumsum(np.random.default_rng(2).pareto(1.1, 400)),  # sends when it likes
    ],
)
def test_without_an_even_pace_nothing_is_made_up(arrived: FloatArray) -> None:
    found: Arrival = arrival_of(arrived)
    assert found.period_s is None
    assert np.array_equal(found.time_s(paced_link=True), arrived)
    assert found.missing == 0


def test_an_hour_of_broken_arrivals_costs_in_proportion() -> None:
    """A busy computer stamped readings late again and again: twice as many may not cost four times it."""

    def spent_s(count: int) -> float:
        dice = np.random.default_rng(1)
        arrived_s = np.arange(count) * 0.01 + np.abs(dice.normal(0.0, 2e-3, count))
        for begin in np.cumsum(dice.exponential(1.0, count // 100)):
            end = begin + dice.exponential(0.2)
            held = (arrived_s >= begin) & (arrived_s < end)
            arrived_s[held] = end + np.arange(held.sum()) * 1e-5
        began = time.process_time()
        arrival_of(np.maximum.accumulate(arrived_s))
        return time.process_time() - began

    few_s, many_s = (min(spent_s(count) for _ in range(3)) for count in (2_000, 8_000))
    assert many_s < 10.0 * few_s
