"""Times of a clock that is coarser than the readings are frequent."""

from __future__ import annotations

import numpy as np

from analysis.trace import FloatArray

SECOND_S = 1.0


def spread_equal_times(time_s: FloatArray) -> FloatArray:
    """Spread equal times evenly over the step of the clock that gave them.

    The step is the smallest one between two different times: 1 s for a clock with whole seconds, and
    1 s too when all times are equal. A clock that moves in steps of more than a second (some loggers
    move once a minute) was probably caught in mid-step at both ends, so there the first and the last
    group keep the usual pace instead of being stretched over a whole step.

    Args:
        time_s: (n,) never decreasing, seconds.

    Returns:
        (n,) growing where the clock's step allows it; the same array when no two times are equal.
    """
    starts = np.flatnonzero(np.diff(time_s, prepend=-np.inf) != 0)
    counts = np.diff(starts, append=time_s.size)
    if counts.size == time_s.size:
        return time_s
    distinct = time_s[starts]
    step_s = float(np.min(np.diff(distinct))) if distinct.size > 1 else SECOND_S
    offset = np.arange(time_s.size) - np.repeat(starts, counts)
    pace_s = step_s / counts
    begin_s = distinct.copy()
    if step_s > SECOND_S and counts.size > 2:
        usual_s = step_s / float(np.median(counts[1:-1]))
        pace_s[[0, -1]] = np.minimum(pace_s[[0, -1]], usual_s)
        begin_s[0] += step_s - counts[0] * pace_s[0]
    return np.repeat(begin_s, counts) + offset * np.repeat(pace_s, counts)
