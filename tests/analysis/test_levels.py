"""Rest levels of a trace."""

from __future__ import annotations

import itertools
import time

import numpy as np
import pytest

from analysis.levels import PRICE, SLOPE_PRICE, cut_into_lines, find_rest_levels

RNG_SEED = 5


def staircase(
    levels: list[float], hold_s: float, move_s: float, rate_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """Levels held in turn with straight moves between them, without noise."""
    edges, values, now = [0.0], [levels[0]], 0.0
    for level in levels:
        edges += [now + (move_s if now else 0.0), now + (move_s if now else 0.0) + hold_s]
        values += [level, level]
        now = edges[-1]
    time_s = np.arange(0.0, now, 1.0 / rate_hz)
    return time_s, np.interp(time_s, edges, values)


def test_best_cut_is_the_best_of_all_cuts() -> None:
    """Against every possible cut of a short trace, tried one by one."""
    rng = np.random.default_rng(RNG_SEED)
    time_s = np.arange(11) * 0.1
    reading = np.concatenate([np.zeros(5), np.full(6, 4.0)]) + 0.3 * rng.standard_normal(11)
    noise = 0.5

    def cost(edges: list[int]) -> float:
        total = 0.0
        for first, stop in itertools.pairwise(edges):
            t, y = time_s[first:stop], reading[first:stop]
            level = float(np.sum((y - y.mean()) ** 2))
            line = float(np.sum((y - np.polyval(np.polyfit(t, y, 1), t)) ** 2)) if y.size > 1 else 0.0
            total += min(level, line + SLOPE_PRICE * noise**2)
        return total + PRICE * noise**2 * (len(edges) - 2)

    everyone = [[0, *[k for k in range(1, 11) if mask >> (k - 1) & 1], 11] for mask in range(1 << 10)]
    best = min(cost(edges) for edges in everyone)
    assert cost(cut_into_lines(time_s, reading, noise).tolist()) == pytest.approx(best)


@pytest.mark.parametrize(("step_um", "noise_um"), [(1.0, 0.4), (10.0, 0.4), (12.7, 0.3)])
@pytest.mark.parametrize("rate_hz", [8.0, 50.0])
def test_every_rest_is_found_with_its_level(step_um: float, noise_um: float, rate_hz: float) -> None:
    rng = np.random.default_rng(RNG_SEED)
    levels = [3.0, 61.0, -20.0, 100.0, 37.0]
    time_s, clean = staircase(levels, hold_s=1.0, move_s=0.4, rate_hz=rate_hz)
    reading = np.round((clean + noise_um * rng.standard_normal(clean.size)) / step_um) * step_um
    found = find_rest_levels(time_s, reading, max(noise_um, step_um / np.sqrt(12)))
    assert len(found) == len(levels)
    assert [rest.level_um for rest in found] == pytest.approx(levels, abs=0.6 * step_um)
    # A piece at either end may be left out; a rest never reaches into the move before or after.
    for rest, begins in zip(found, [0.0, 1.4, 2.8, 4.2, 5.6], strict=True):
        assert begins - 0.06 <= rest.start_s <= begins + 0.35
        assert begins + 0.6 <= rest.end_s <= begins + 1.06


def test_a_creeping_hold_stays_one_rest_and_its_creep_is_told() -> None:
    time_s = np.arange(0.0, 6.0, 0.02)
    reading = np.where(time_s < 2.0, 0.0, 80.0 - 3.0 * np.exp(-(time_s - 2.0) / 1.2))
    reading = np.round(reading + 0.3 * np.random.default_rng(RNG_SEED).standard_normal(time_s.size))
    found = find_rest_levels(time_s, reading, 0.42)
    high = [rest for rest in found if rest.level_um > 40.0]
    assert sum(rest.count for rest in high) >= 190
    assert 1.0 < sum(rest.creep_um for rest in high) < 3.0


def test_a_slow_push_in_coarse_steps_is_no_rest() -> None:
    """A ramp of 60 um/s in 12.7 um steps stays on each step for a fifth of a second."""
    time_s = np.arange(0.0, 8.0, 0.05)
    ramp = np.interp(time_s, [2.0, 5.0], [0.0, 180.0])
    found = find_rest_levels(time_s, np.round(ramp / 12.7) * 12.7, 12.7 / np.sqrt(12))
    assert len(found) == 2
    assert found[0].end_s == pytest.approx(2.0, abs=0.3)
    assert found[1].start_s == pytest.approx(5.0, abs=0.3)


def test_two_neighbouring_steps_that_each_stay_are_two_rests() -> None:
    reading = np.concatenate([np.full(17, -40.0), np.full(11, -30.0), np.full(20, 0.0)])
    found = find_rest_levels(np.arange(48) * 0.05, reading, 10.0 / np.sqrt(12))
    assert [rest.level_um for rest in found] == [-40.0, -30.0, 0.0]


def test_a_level_that_toggles_between_two_steps_is_one_rest_at_its_mean() -> None:
    rng = np.random.default_rng(RNG_SEED)
    reading = np.concatenate([rng.choice([0.0, 10.0], 60), np.full(40, 90.0)])
    found = find_rest_levels(np.arange(100) * 0.05, reading, 10.0 / np.sqrt(12))
    assert len(found) == 2
    assert found[0].level_um == pytest.approx(5.0, abs=2.0)
    assert found[0].distinct == 2


def test_too_few_readings_and_repeated_times_are_no_error() -> None:
    assert find_rest_levels(np.array([0.0, 0.1]), np.array([1.0, 1.0]), 0.3) == ()
    assert find_rest_levels(np.zeros(10), np.zeros(10), 0.3) == ()


def test_cost_grows_with_the_readings_not_with_their_square() -> None:
    """A quarter of a million readings are averaged in blocks first: well under two seconds."""
    time_s, clean = staircase([0.0, 50.0] * 20, hold_s=120.0, move_s=0.5, rate_hz=50.0)
    assert time_s.size > 200_000
    noisy = np.round(clean + 0.4 * np.random.default_rng(RNG_SEED).standard_normal(clean.size))
    begin = time.process_time()
    found = find_rest_levels(time_s, noisy, 0.5)
    assert time.process_time() - begin < 2.0
    assert len(found) == 40
    assert [rest.level_um for rest in found] == pytest.approx([0.0, 50.0] * 20, abs=0.05)
