"""Two indicators that were read at the same time, each by its own clock and link, as one trace.

What a link delays by itself is taken out first (`analysis.arrival`): readings over a radio come in bunches,
and a reading of the one would otherwise stand beside a reading of the other that was taken a tenth of a
second away. The least delay of each link shows in no arrival and stays: a constant between the two.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.arrival import Arrival
from analysis.trace import FloatArray, Trace

HALF = 0.5


def paired(
    first: Trace, second: Trace, at: Arrival, second_at: Arrival, *, paced: bool, second_paced: bool
) -> Trace:
    """The first indicator's trace with the second's readings beside it, none invented and none moved on.

    Each reading of the second stands in the row of the first that was taken nearest to it, if that is
    within half a reading of the slower of the two; where two fall on one row the nearer one does. A row
    without one has NaN.

    Args:
        first: readings of the first indicator.
        second: of the second; those rejected at capture are left out.
        at: how the first's readings arrived, on any clock, in its order.
        second_at: how the second's did, on the same clock.
        paced: the first's link holds readings back (a radio).
        second_paced: the second's does.

    Returns:
        The trace; its times are those at which the first's readings were taken, from its first row's own.
    """
    taken = at.time_s(paced_link=paced)
    good = np.ones(len(second), dtype=np.bool_) if second.flag is None else second.flag == ""
    other, values = second_at.time_s(paced_link=second_paced)[good], second.reading_um[good]
    beside = np.full(len(first), np.nan)
    if taken.size and other.size:
        row = _nearest(taken, other)
        away = np.abs(other - taken[row])
        near = away <= HALF * max(_spacing(taken), _spacing(other))
        for place in np.argsort(-away):  # the nearest last: it stays
            if near[place]:
                beside[row[place]] = values[place]
    straight = paced or at.bunched
    time_s = taken - taken[0] + max(0.0, float(first.time_s[0])) if straight and taken.size else first.time_s
    return replace(first, time_s=time_s, reading2_um=beside)


def _nearest(sorted_s: FloatArray, wanted_s: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """(m,) index of the nearest of `sorted_s` to each of `wanted_s`."""
    after = np.clip(np.searchsorted(sorted_s, wanted_s), 1, max(1, sorted_s.size - 1))
    if sorted_s.size == 1:
        return np.zeros(wanted_s.size, dtype=np.intp)
    before = after - 1
    return np.where(wanted_s - sorted_s[before] <= sorted_s[after] - wanted_s, before, after)


def _spacing(time_s: FloatArray) -> float:
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
