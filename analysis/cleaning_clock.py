"""Gaps in the time of a trace, and what they were: readings lost, or a clock that jumped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.trace import BoolArray, FloatArray, IntArray


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
    """The time of the readings kept with each jump of the clock made one usual interval long.

    For the search for turns only: the recorded time stays as it is.
    """
    gaps = clock_gaps(time_s, reading_um, noise_um, np.diff(np.flatnonzero(kept)) == 1)
    if not gaps.jumped.size:
        return time_s
    gap = np.diff(time_s, prepend=time_s[0])
    gap[gaps.jumped] = gaps.usual_s
    return np.asarray(time_s[0] + np.cumsum(gap), dtype=np.float64)
