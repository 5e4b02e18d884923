"""A first idea of the hub's position from index marks alone: tapped by hand, some twice, some not at all."""

from __future__ import annotations

import numpy as np

from analysis.trace import FloatArray

_AGAIN = 0.35
"""A tap sooner after the one before than this part of the usual gap is the same passing tapped twice."""


def passings(mark_s: FloatArray) -> FloatArray:
    """The taps, s, with each passing only once."""
    if mark_s.size < 3:
        return mark_s
    gaps = np.diff(mark_s)
    usual = float(np.median(gaps[gaps > _AGAIN * np.max(gaps)]))
    once: FloatArray = mark_s[np.concatenate([[True], gaps > _AGAIN * usual])]
    return once


def guesses(time_s: FloatArray, mark_s: FloatArray) -> list[FloatArray]:
    """Positions (n,) in turns at `time_s` that the taps suggest, from 0 at the first; no more than two.

    Every gap is one turn in the first; in the second a gap much longer than the usual one counts as the
    number of turns that it would hold, as if taps had been missed. Before the first and after the last tap
    the hub goes on as fast as in the gap beside it.
    """
    once = passings(mark_s)
    if once.size < 2:
        return []
    gaps = np.diff(once)
    several = np.maximum(1, np.round(gaps / np.median(gaps)))
    ways = [np.ones_like(gaps)]
    if not np.array_equal(several, ways[0]):
        ways.append(several)
    return [_laid_out(time_s, once, turns) for turns in ways]


def _laid_out(time_s: FloatArray, once: FloatArray, turns: FloatArray) -> FloatArray:
    at = np.concatenate([[0.0], np.cumsum(turns)])
    slope = np.diff(at) / np.diff(once)
    laid: FloatArray = np.interp(time_s, once, at)
    laid += np.minimum(0.0, time_s - once[0]) * slope[0] + np.maximum(0.0, time_s - once[-1]) * slope[-1]
    begun: FloatArray = laid - laid[0]
    return begun
