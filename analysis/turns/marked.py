"""A first idea of the hub's position from index marks alone: tapped by hand, some twice, some not at all."""

from __future__ import annotations

import numpy as np

from analysis.trace import BoolArray, FloatArray, IntArray
from analysis.turns.starts import starts_of
from analysis.values import Note, Turns

_AGAIN = 0.35
"""A tap sooner after the one before than this part of the usual gap is the same passing tapped twice."""

FASTEST_TURN_S = 1.0
"""No hand turns a hub in less: such taps alone, on readings that stand still, are no turns."""

_JITTER_S = 0.08
_UNEVEN_TURNS = 0.05
"""How far a hand strays from even turning between two taps, as a standard deviation."""


def tapped_s(time_s: FloatArray, mark: BoolArray) -> FloatArray:
    """When the taps came, s.

    A tap is recorded with the reading nearest to it or with the first after it, as whoever wrote the trace
    chose: a quarter of a reading earlier is right for neither and at most a quarter off for both.
    """
    rows = np.flatnonzero(mark)
    gap = time_s[rows] - time_s[np.maximum(rows - 1, 0)]
    usual = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    return np.asarray(time_s[rows] - 0.25 * np.minimum(gap, usual), np.float64)


def nearest(time_s: FloatArray, wanted_s: FloatArray) -> IntArray:
    """(m,) index of the nearest of the growing `time_s` to each of `wanted_s`."""
    return np.searchsorted(0.5 * (time_s[1:] + time_s[:-1]), wanted_s)


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


def from_taps(time_s: FloatArray, work_s: FloatArray, mark_s: FloatArray, why: Note) -> Turns:
    """Turns from the taps alone, where the readings say nothing of them; nothing without two taps.

    Args:
        time_s: (n,) recorded times of the readings.
        work_s: (n,) the same with jumps of the clock taken out; the taps' times are of this kind.
        mark_s: times of the taps.
        why: why the readings say nothing.
    """
    once = passings(mark_s)
    ways = guesses(work_s, mark_s)
    if not ways or float(np.median(np.diff(once))) < FASTEST_TURN_S:
        return Turns(None, 0, "none", np.empty(0), 0.0, notes=(why,))
    # A gap as long as two usual ones more likely hides a missed tap than a hub that slowed to half.
    turns = ways[-1]
    turns = turns - float(np.interp(once[0], work_s, turns))
    starts = starts_of(time_s, turns, first=float(np.ceil(turns[0] - 1e-9)))
    speed = float(turns[-1] - turns[0]) / max(float(work_s[-1] - work_s[0]), 1e-9)
    total = float(turns[-1] - turns[0])
    others = tuple(round(float(one[-1] - one[0]), 2) for one in ways[:-1])
    return Turns(
        total=total,
        complete=max(0, starts.size - 1),
        found_by="marks",
        starts_s=starts,
        confidence=0.7 if others or once.size < 3 else 0.9,
        alternatives=others,
        angle_deg=360.0 * turns,
        angle_standard_deg=360.0 * float(np.hypot(_JITTER_S * speed, _UNEVEN_TURNS)),
        speed_pattern_deg=360.0 * _UNEVEN_TURNS,
        at_least_once=once.size >= 2,
        notes=(why,),
    )


def _laid_out(time_s: FloatArray, once: FloatArray, turns: FloatArray) -> FloatArray:
    at = np.concatenate([[0.0], np.cumsum(turns)])
    slope = np.diff(at) / np.diff(once)
    laid: FloatArray = np.interp(time_s, once, at)
    laid += np.minimum(0.0, time_s - once[0]) * slope[0] + np.maximum(0.0, time_s - once[-1]) * slope[-1]
    begun: FloatArray = laid - laid[0]
    return begun
