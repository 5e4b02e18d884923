"""Many readings made few: means over narrow angles, so that the cost of a fit does not follow the rate."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.trace import FloatArray

MOST_ROWS = 20_000
MOST_SEGMENTS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Readings, or means of neighbouring readings.

    Attributes:
        angle_rad: (n,) cumulative angle; whole turns may have been left out of it where turns were put
            together.
        time_s: (n,) mean time.
        reading_um: (n,) mean reading.
        weight: (n,) readings behind each mean; None when nothing was put together.
        within_square: sum of squares of the readings about their means, um squared.
        together: turns that share a row; 1 when each turn kept its own.
        beside: (n, k) further columns of the model: what else moves a reading, and in which ratio.
        beside_variance: (k,) how large each of them is expected to be, as a variance.
    """

    angle_rad: FloatArray
    time_s: FloatArray
    reading_um: FloatArray
    weight: FloatArray | None
    within_square: float
    together: int
    beside: FloatArray | None = None
    beside_variance: FloatArray = field(default_factory=lambda: np.empty(0))


def thin(angle_rad: FloatArray, time_s: FloatArray, reading_um: FloatArray) -> Rows:
    """Put readings together by turn and angle when there are more than a fit needs.

    Up to 20 000 readings pass as they are. More are averaged within bins of equal angle; beyond 40 turns,
    several turns share their bins. The mean angle of a bin stands for its readings: over the 2.4 degrees
    of the widest bin order 15 loses 0.4 % of its amplitude, order 2 less than 0.01 %.
    """
    if angle_rad.size <= MOST_ROWS:
        return Rows(angle_rad, time_s, reading_um, None, 0.0, 1)
    turn = np.floor(angle_rad / (2 * np.pi))
    turn -= turn.min()
    turns = int(turn.max()) + 1
    together = -(-turns // MOST_SEGMENTS)
    segment = (turn // together).astype(np.intp)
    segments = int(segment.max()) + 1
    bins = max(360, min(14_400 // segments, 1440))
    inside = angle_rad - 2 * np.pi * np.floor(angle_rad / (2 * np.pi))
    place = segment * bins + np.minimum((inside * (bins / (2 * np.pi))).astype(np.intp), bins - 1)
    count = np.bincount(place, minlength=segments * bins).astype(np.float64)
    full = count > 0
    share = count[full]

    def mean(value: FloatArray) -> FloatArray:
        return np.bincount(place, weights=value, minlength=count.size)[full] / share

    level = float(reading_um.mean())
    off = reading_um - level
    average = mean(off)
    within = float(off @ off) - float(share @ average**2)
    base = 2 * np.pi * np.floor(float(angle_rad.min()) / (2 * np.pi))
    start = base + 2 * np.pi * together * (np.flatnonzero(full) // bins)
    return Rows(start + mean(inside), mean(time_s), average + level, share, max(within, 0.0), together)
