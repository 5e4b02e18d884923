"""Gaps in the time of a trace, and what they were: readings lost, or a clock that jumped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.trace import BoolArray, FloatArray, IntArray

TOGETHER_S = 0.002
"""No indicator for the hand measures again so soon: what arrives closer together waited somewhere."""
TOGETHER = 0.2  # of the mean gap, for what measures more often


@dataclass(frozen=True, slots=True, eq=False)
class ClockGaps:
    """Indices of the readings after a long gap.

    Attributes:
        jumped: the readings go on as if no time had passed: the clock jumped, or the hub stood still.
        lost: the readings went on elsewhere: some are missing.
        usual_s: usual time between two readings.
    """

    jumped: IntArray
    lost: IntArray
    usual_s: float


def clock_gaps(time_s: FloatArray, reading_um: FloatArray, noise_um: float, next_row: BoolArray) -> ClockGaps:
    """Gaps of more than eight usual intervals and half a second.

    Args:
        time_s: (n,) s.
        reading_um: (n,) readings.
        noise_um: noise of one reading.
        next_row: (n - 1,) true where no reading was set aside between two of them; other gaps are no
            fault of the clock.
    """
    none = np.empty(0, dtype=np.intp)
    if time_s.size < 8:
        return ClockGaps(none, none, 0.0)
    gap = np.diff(time_s)
    usual = float(np.median(gap))
    long = np.flatnonzero((gap > max(8.0 * usual, 0.5)) & next_row)
    if not long.size:
        return ClockGaps(none, none, usual)
    moved = np.abs(np.diff(reading_um))
    near = 1.5 * float(np.quantile(moved, 0.9)) + 3.0 * noise_um
    calm = moved[long] <= near
    return ClockGaps(long[calm] + 1, long[~calm] + 1, usual)


def working_time(time_s: FloatArray, reading_um: FloatArray, noise_um: float, kept: BoolArray) -> FloatArray:
    """The time of the readings kept, bunches spread out and each jump of the clock one usual interval long.

    For the search for turns only: the recorded time stays as it is.
    """
    time_s = _without_bunches(time_s)
    gaps = clock_gaps(time_s, reading_um, noise_um, np.diff(np.flatnonzero(kept)) == 1)
    if not gaps.jumped.size:
        return time_s
    gap = np.diff(time_s, prepend=time_s[0])
    gap[gaps.jumped] = gaps.usual_s
    return np.asarray(time_s[0] + np.cumsum(gap), dtype=np.float64)


def _without_bunches(time_s: FloatArray) -> FloatArray:
    """Times with the readings of each bunch spread back from its end, at most to the bunch before.

    A busy computer, an adapter or a radio hands over several readings at once, all with nearly one time. As
    recorded the hub would have stood still and then leapt, and speeds taken over microseconds would leave
    too few digits for the same answer on every computer. The last of a bunch arrived as it was taken.
    No even pace is asked for, as `analysis.arrival` does.
    """
    gap = np.diff(time_s)
    if not gap.size or float(gap.min()) >= TOGETHER_S:
        return time_s
    together = gap < min(TOGETHER_S, TOGETHER * float(gap.mean()))
    last = np.append(np.flatnonzero(~together), time_s.size - 1)
    if last.size < 2:
        return time_s
    count = np.diff(last, prepend=-1)
    apart = np.diff(time_s[last]) / count[1:]
    usual = float(np.median(apart))
    apart = np.minimum(np.concatenate([[usual], apart]), usual)  # what is more is time without readings
    bunch = np.repeat(np.arange(last.size), count)
    before_last = last[bunch] - np.arange(time_s.size)
    return np.asarray(time_s[last][bunch] - before_last * apart[bunch], dtype=np.float64)
