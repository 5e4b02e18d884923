"""The surface from stops: levels at rest, whose angle is known, and readings on the way, whose angle is not.

From few places a turn nobody can tell order 1 from order 4 or 6; the readings on the way can, if it is known
how the hand went from stop to stop. A hand that starts and ends at rest lies between the smoothest way there
is (the minimum jerk of T. Flash and N. Hogan, J. Neuroscience 5 (1985) 1688: 10 s^3 - 15 s^4 + 6 s^5) and an
even pace with short ends; halfway between is the smooth step 3 s^2 - 2 s^3, which is taken as the mean. What
a way differs from it is fitted along with the surface, as columns of the same linear model: the slope of the
surface times what the angle may be off, with the size that such a difference usually has. The slope comes
from the fit before, so a few rounds are needed (Gauss-Newton).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.stops import StopLevels, stop_rows
from analysis.surface import Surface, profile_slope
from analysis.surface_fit import fit_surface
from analysis.thinning import Rows
from analysis.trace import FloatArray, IntArray, Trace
from analysis.uncertainty import mean_of_steps_um

ROUNDS = 6
MOST_ORDERS = 20
STOP_STANDARD = math.radians(0.4)  # how well a stud is brought to the pointer (common practice)
PACE_OF_ALL = 0.4  # share of the smooth step's difference from an even pace, alike in all ways
PACE_OF_ONE = 0.2  # the same of a single way
LATE_STANDARD = 0.10  # of a way's time: how well its beginning and end are seen
SEEN_LATE = 0.12  # of a way's time: by so much it begins before, and ends after, it is seen to
WOBBLE_UM = 0.1  # least standard deviation of a level: what never repeats in a sound bearing


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """The rests and the ways between them.

    Attributes:
        stop_rad: (m,) angle of each rest, as the studs are spaced.
        way: (n,) number of the way of each reading on one.
        time_s: (n,) its time.
        reading_um: (n,) the reading.
        starts_s: (m - 1,) when each way is taken to begin.
        ends_s: (m - 1,) and to end.
        level_s: (m,) mean time of each rest without the ends that belong to a way.
        level_um: (m,) its level.
        level_variance: (m,) variance of the level.
        noise_um: standard deviation of a reading.
    """

    stop_rad: FloatArray
    way: IntArray
    time_s: FloatArray
    reading_um: FloatArray
    starts_s: FloatArray
    ends_s: FloatArray
    level_s: FloatArray
    level_um: FloatArray
    level_variance: FloatArray
    noise_um: float

    @property
    def variance(self) -> FloatArray:
        """Prior variance of the unknowns: each stop, each beginning, each end, each pace, the pace of all."""
        ways = self.starts_s.size
        time = LATE_STANDARD * (self.ends_s - self.starts_s)
        stops, pace = np.full(ways + 1, STOP_STANDARD), np.full(ways, PACE_OF_ONE)
        return np.concatenate([stops, time, time, pace, [PACE_OF_ALL]]) ** 2

    def angles(self, unknown: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Angle of every row, rests first, and its change with each unknown."""
        ways = self.starts_s.size
        stop = self.stop_rad + unknown[: ways + 1]
        start = self.starts_s + unknown[ways + 1 : 2 * ways + 1]
        end = self.ends_s + unknown[2 * ways + 1 : 3 * ways + 1]
        pace = unknown[3 * ways + 1 : -1] + unknown[-1]
        k = self.way
        took = (end - start)[k]
        part = np.clip((self.time_s - start[k]) / took, 0.0, 1.0)
        even = part - part**2 * (3 - 2 * part)
        went = part - even + pace[k] * even
        speed = 6 * part * (1 - part) * (1 - pace[k]) + pace[k] * ((part > 0) & (part < 1))
        length = (stop[1:] - stop[:-1])[k]
        row = np.arange(k.size)
        change = np.zeros((k.size, unknown.size))
        change[row, k], change[row, k + 1] = 1 - went, went
        change[row, ways + 1 + k] = -length * speed * (1 - part) / took
        change[row, 2 * ways + 1 + k] = -length * speed * part / took
        change[row, 3 * ways + 1 + k] = change[:, -1] = length * even
        at_rest = np.eye(stop.size, unknown.size)
        return np.concatenate([stop, stop[k] + length * went]), np.vstack([at_rest, change])


def fit_stops(levels: StopLevels, trace: Trace, noise_um: float, step_um: float) -> tuple[Surface, int]:
    """The surface, and how many readings on the way took part.

    Args:
        levels: the rests.
        trace: all readings.
        noise_um: standard deviation of one reading, its rounding included.
        step_um: step of the indicator.
    """
    seen = _seen(levels, trace, noise_um, step_um)
    unknown = np.zeros(seen.variance.size)
    time_s = np.concatenate([seen.level_s, seen.time_s])
    reading = np.concatenate([seen.level_um, seen.reading_um])
    weight = np.concatenate([noise_um**2 / seen.level_variance, np.ones(seen.way.size)])
    rows, _ = stop_rows(levels, trace.time_s, trace.reading_um, noise_um)
    surface = fit_surface(rows, step_um, MOST_ORDERS)
    for _ in range(ROUNDS):
        angle, change = seen.angles(unknown)
        beside = profile_slope(surface, angle)[:, None] * change
        rows = Rows(
            angle,
            time_s,
            reading + beside @ unknown,
            weight,
            within_square=0.0,
            together=2,
            beside=beside,
            beside_variance=seen.variance,
        )
        surface = fit_surface(rows, step_um, MOST_ORDERS)
        unknown = surface.beside
    return surface, int(seen.way.size)


def _seen(levels: StopLevels, trace: Trace, noise_um: float, step_um: float) -> _Seen:
    """Rests and ways; a way begins before it is seen to, because a hand starts slowly."""
    time_s, reading = trace.time_s, trace.reading_um
    left, right = time_s[levels.last[:-1]], time_s[levels.first[1:]]
    took = (right - left) / (1 - 2 * SEEN_LATE)
    # Where a stop lies on a flat place of the flange the way is seen still later: a hand's ways are alike.
    took = np.maximum(took, np.median(took))
    pad = 0.5 * (took - (right - left))
    starts, ends = left - pad, right + pad
    middle = 0.5 * (ends[:-1] + starts[1:])  # two ways may not overlap
    ends[:-1], starts[1:] = np.minimum(ends[:-1], middle), np.maximum(starts[1:], middle)
    way = np.searchsorted(starts, time_s, side="right") - 1
    on = (way >= 0) & (time_s < ends[np.maximum(way, 0)])
    inside = [
        np.flatnonzero(~on[first : last + 1]) + first
        for first, last in zip(levels.first, levels.last, strict=True)
    ]
    inside = [
        rows if rows.size else np.arange(first, last + 1)
        for rows, first, last in zip(inside, levels.first, levels.last, strict=True)
    ]
    count = np.array([rows.size for rows in inside], dtype=np.float64)
    scatter = np.array([float(np.std(reading[rows])) for rows in inside])
    usual = math.sqrt(float(count @ scatter**2) / float(count.sum()))
    return _Seen(
        stop_rad=levels.angle_rad,
        way=way[on],
        time_s=time_s[on],
        reading_um=reading[on],
        starts_s=starts,
        ends_s=ends,
        level_s=np.array([float(time_s[rows].mean()) for rows in inside]),
        level_um=np.array([float(reading[rows].mean()) for rows in inside]),
        level_variance=mean_of_steps_um(step_um, usual) ** 2 + usual**2 / count + WOBBLE_UM**2,
        noise_um=noise_um,
    )
