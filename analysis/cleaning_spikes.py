"""Readings that stand out alone: dirt and rust, but not a bump of the flange, and not the gaps of a ring."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from analysis.trace import BoolArray, FloatArray, IntArray
from analysis.turns.return_map import candidates

_GRID = 160
_SAME_PLACE = 0.04
_LOW_BUMP_UM = 25.0


def is_interrupted(reading_um: FloatArray, resolution_um: float) -> bool:
    """Whether the readings jump to and fro between two levels, as a plunger does over studs or teeth."""
    if reading_um.size < 40:
        return False
    low, high = np.quantile(reading_um, [0.05, 0.95])
    reach = float(high - low)
    if reach <= 12.0 * resolution_um:
        return False
    difference = np.abs(np.diff(reading_um))
    quick = float(np.mean(difference > 0.3 * reach))
    above = reading_um > low + 0.5 * reach
    crossings = int(np.count_nonzero(above[1:] != above[:-1]))
    return quick > 0.07 and crossings > max(14, 0.06 * reading_um.size)


def lone_spikes(reading_um: FloatArray, noise_um: float, resolution_um: float) -> BoolArray:
    """True where one to three readings stand out from a running median of seven."""
    if reading_um.size < 15:
        return np.zeros(reading_um.size, dtype=np.bool_)
    away = reading_um - median_filter(reading_um, 7, mode="nearest")
    usual = float(np.quantile(np.abs(away), 0.9))
    limit = max(6.0 * noise_um, 4.0 * resolution_um, 4.0 * usual)
    return np.asarray(np.abs(away) > limit, dtype=np.bool_)


def without_bumps(
    away: BoolArray, time_s: FloatArray, reading_um: FloatArray, noise_um: float
) -> tuple[BoolArray, bool]:
    """The excursions without those that come back at the same angle every turn, and whether there were such.

    A bump of the flange shows in every turn that passes it, with about the same height; dirt does not.

    Args:
        away: (n,) true for the readings of an excursion.
        time_s: (n,) s.
        reading_um: (n,) readings.
        noise_um: noise of one reading.
    """
    edges = np.diff(np.concatenate([[0], away.astype(np.int8), [0]]))
    firsts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not 2 <= firsts.size <= 100 or (~away).sum() < 20:
        return away, False
    ground = np.interp(time_s, time_s[~away], reading_um[~away])
    above = reading_um - ground
    tops = [first + int(np.argmax(np.abs(above[first:end]))) for first, end in zip(firsts, ends, strict=True)]
    places = np.asarray(tops, dtype=np.intp)
    height = above[places]
    highest = max(_LOW_BUMP_UM, 0.4 * float(np.ptp(ground)))
    grid = np.linspace(time_s[0], time_s[-1], _GRID)
    for guess in candidates(np.interp(grid, time_s, ground), noise_um, most=4):
        turns = np.interp(time_s, grid, guess.turns)
        bump = _recurring(turns, places, height) & (np.abs(height) < highest)
        if bump.any():
            left = away.copy()
            for first, end in zip(firsts[bump], ends[bump], strict=True):
                left[first:end] = False
            return left, True
    return away, False


def _recurring(turns: FloatArray, places: IntArray, height: FloatArray) -> BoolArray:
    """True for the excursions of a place that has one of about the same height in every turn."""
    at = turns[places]
    bump = np.zeros(places.size, dtype=np.bool_)
    size = np.log(np.abs(height) + 1e-9)
    for one in range(places.size):
        first = np.ceil(turns[0] + _SAME_PLACE - at[one])
        passes = int(np.floor(turns[-1] - _SAME_PLACE - at[one]) - first) + 1
        # Two of a kind are soon found by chance where there are many: they must be more alike.
        ratio = 1.35 if passes < 3 else 1.8
        alike = (height * height[one] > 0.0) & (np.abs(size - size[one]) < np.log(ratio))
        apart = at - at[one]
        near = alike & (np.abs(apart - np.round(apart)) < _SAME_PLACE)
        seen = np.unique(np.round(apart[near])).size
        if seen >= max(2, passes) and (passes >= 3 or places.size <= 5):
            bump |= near
    return bump
