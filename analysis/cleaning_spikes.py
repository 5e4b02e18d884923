"""Readings that stand out alone: dirt and rust, but not a bump of the flange, and not the gaps of a ring."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter

from analysis.trace import BoolArray, FloatArray, IntArray
from analysis.turns.return_map import candidates

_GRID = 160
_SAME_PLACE = 0.04
_LOW_BUMP_UM = 25.0
_BESIDE = 8
_SHARP_SHARE = 0.07
_TIMES_BESIDE = 3.0


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
    if quick <= 0.07 or crossings <= max(14, 0.06 * reading_um.size):
        return False
    # A flange turned quickly crosses its middle as often, on a curve; an edge of a hole lies on none.
    return float(np.mean(_off_even_cubic(reading_um, 1) > 0.3 * reach)) > _SHARP_SHARE


def lone_spikes(reading_um: FloatArray, noise_um: float, resolution_um: float) -> BoolArray:
    """True where one to three readings stand out from a running median of seven, and from a curve as well.

    Where a quick hand passes a high spot between two readings, that one stands out from a median too, but
    no more from a curve through its neighbours than readings near by do.
    """
    if reading_um.size < 15:
        return np.zeros(reading_um.size, dtype=np.bool_)
    away = reading_um - median_filter(reading_um, 7, mode="nearest")
    usual = float(np.quantile(np.abs(away), 0.9))
    limit = max(6.0 * noise_um, 4.0 * resolution_um, 4.0 * usual)
    out = np.asarray(np.abs(away) > limit, dtype=np.bool_)
    return off_the_curve(out, reading_um, max(8.0 * noise_um, 4.0 * resolution_um)) if out.any() else out


def off_the_curve(out: BoolArray, reading_um: FloatArray, least_um: float) -> BoolArray:
    """The stretches of `out` that miss the cubic through the two good readings on either side by far.

    By far: by `least_um`, and by three times as much as good readings beside them miss theirs.

    Args:
        out: (n,) true for readings that stand out.
        reading_um: (n,) readings, about evenly spaced.
        least_um: a smaller distance is never far.
    """
    good = np.flatnonzero(~out)
    if good.size < 4:
        return out
    edges = np.diff(np.concatenate([[0], out.astype(np.int8), [0]]))
    firsts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    after = np.searchsorted(good, firsts)
    # At either end of the trace there is no curve to miss.
    between = (after >= 2) & (after <= good.size - 2)
    left = out.copy()
    for width in np.unique(ends[between] - firsts[between]).tolist():
        these = between & (ends - firsts == width)
        beside = good[after[these, None] + np.arange(-2, 2)]
        off = _off_cubic(reading_um, firsts[these], width, beside)
        usual = maximum_filter1d(_off_even_cubic(reading_um[good], width), 2 * _BESIDE + width)
        near = np.clip(after[these] - (width + 1) // 2 - 2, 0, usual.size - 1)
        for first in firsts[these][off <= np.maximum(least_um, _TIMES_BESIDE * usual[near])]:
            left[first : first + width] = False
    return left


def _off_cubic(reading_um: FloatArray, firsts: IntArray, width: int, nodes: IntArray) -> FloatArray:
    """(m,) largest distance of `width` readings from each of `firsts` on from the cubic through four others.

    Args:
        reading_um: (n,) readings, evenly spaced.
        firsts: (m,) first reading of each stretch.
        width: readings in each.
        nodes: (m, 4) the readings that the cubic goes through.
    """
    largest = np.zeros(firsts.size)
    for at in (firsts + place for place in range(width)):
        there = (_lagrange(at[:, None], nodes) * reading_um[nodes]).sum(axis=1)
        largest = np.maximum(largest, np.abs(reading_um[at] - there))
    return largest


def _off_even_cubic(reading_um: FloatArray, width: int) -> FloatArray:
    """The same of every stretch of `width` readings with two on either side, the first from reading 2 on."""
    count = max(0, reading_um.size - width - 3)
    nodes = np.array([[-2, -1, width, width + 1]])
    largest = np.zeros(count)
    for place in range(width):
        off = reading_um[2 + place : 2 + place + count].copy()
        for node, weight in zip(nodes[0], _lagrange(np.array([[place]]), nodes)[0], strict=True):
            off -= weight * reading_um[2 + node : 2 + node + count]
        largest = np.maximum(largest, np.abs(off))
    return largest


def _lagrange(at: IntArray, nodes: IntArray) -> FloatArray:
    """(m, 4) weights of the values at `nodes` (m, 4) in the cubic through them at `at` (m, 1)."""
    weights = np.ones(nodes.shape)
    for one in range(4):
        for other in range(4):
            if other != one:
                weights[:, one] *= (at[:, 0] - nodes[:, other]) / (nodes[:, one] - nodes[:, other])
    return weights


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
        ratio = 1.35 if passes < 3 or places.size > 2 * passes else 1.8
        alike = (height * height[one] > 0.0) & (np.abs(size - size[one]) < np.log(ratio))
        apart = at - at[one]
        near = alike & (np.abs(apart - np.round(apart)) < _SAME_PLACE)
        seen = np.unique(np.round(apart[near])).size
        if seen >= max(2, passes) and (passes >= 3 or places.size <= 5):
            bump |= near
    return bump
