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

ROUNDS = 12
# Other ways to begin: orders round by round, then rounds in which all ways are smooth steps. The likeliest of
# the fits that are reached is taken: from a poor beginning one may end beside the best.
STARTS = (((3, 3, 5, 8), 0), ((3, 3, 5, 8), 4), ((5, 5, 5, 5, 5), 5), ((6, 6, 6, 6, 6, 6), 6))
SETTLED_UM = 0.01  # of the orders, from one round to the next
MOST_ORDERS = 20
STOP_STANDARD = math.radians(0.4)  # how well a stud is brought to the pointer (common practice)
SHORTEST = 0.3  # of the usual time on the way
PACE_OF_ALL = 0.4  # share of the smooth step's difference from an even pace, alike in all ways
PACE_OF_ONE = 0.2  # the same of a single way
LONGER_ALL = 0.2  # of a way's time: how well the usual time on the way is seen
LONGER_ONE = 0.2  # of a way's time: by so much a hand's ways differ
MIDDLE = 0.25  # of a way's time: how well its middle is seen; where the flange is flat, hardly
SEEN_LATE = 0.12  # of a way's time: by so much it begins before, and ends after, it is seen to
MARGIN = 0.4  # of a way's time, before and after: readings that may belong to it
WOBBLE_UM = 0.1  # least standard deviation of a level: what never repeats in a sound bearing


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """The rests and the ways between them.

    Attributes:
        stop_rad: (m,) angle of each rest, as the studs are spaced.
        way: (n,) number of the way of each reading that may be on one.
        time_s: (n,) its time.
        reading_um: (n,) the reading.
        middle_s: (m - 1,) where the middle of each way is seen.
        took_s: what a way usually takes.
        first_guess: unknowns to begin with; see `angles`.
        level_s: (m,) mean time of each rest without the ends that may belong to a way.
        level_um: (m,) its level.
        level_variance: (m,) variance of the level.
        noise_um: standard deviation of a reading.
    """

    stop_rad: FloatArray
    way: IntArray
    time_s: FloatArray
    reading_um: FloatArray
    middle_s: FloatArray
    took_s: float
    first_guess: FloatArray
    level_s: FloatArray
    level_um: FloatArray
    level_variance: FloatArray
    noise_um: float

    @property
    def variance(self) -> FloatArray:
        """Prior variance of the unknowns."""
        ways = self.middle_s.size
        one = np.repeat([MIDDLE * self.took_s, LONGER_ONE, PACE_OF_ONE], ways)
        return np.concatenate([np.full(ways + 1, STOP_STANDARD), one, [LONGER_ALL, PACE_OF_ALL]]) ** 2

    def smooth_steps(self) -> FloatArray:
        """The same, of ways whose pace is that of a smooth step."""
        variance = self.variance
        variance[3 * self.middle_s.size + 1 : -2] *= 0.01
        variance[-1] *= 0.01
        return variance

    def angles(self, unknown: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Angle of every row, rests first, and its change with each unknown.

        Unknowns: each stop's angle; each way's middle in s, its length and its pace; length and pace of all.
        """
        ways = self.middle_s.size
        stop = self.stop_rad + unknown[: ways + 1]
        middle, longer, pace = unknown[ways + 1 : -2].reshape(3, ways)
        took = self.took_s * np.maximum(1.0 + longer + unknown[-2], SHORTEST)
        pace = pace + unknown[-1]
        k = self.way
        away = (self.time_s - (self.middle_s + middle)[k]) / took[k]
        part = np.clip(away + 0.5, 0.0, 1.0)
        even = part - part**2 * (3 - 2 * part)
        went = part - even + pace[k] * even
        speed = 6 * part * (1 - part) * (1 - pace[k]) + pace[k] * ((part > 0) & (part < 1))
        length = (stop[1:] - stop[:-1])[k]
        row = np.arange(k.size)
        change = np.zeros((k.size, unknown.size))
        change[row, k], change[row, k + 1] = 1 - went, went
        change[row, ways + 1 + k] = -length * speed / took[k]
        change[row, 2 * ways + 1 + k] = change[:, -2] = -length * speed * away * self.took_s / took[k]
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
    rows, _ = stop_rows(levels, trace.time_s, trace.reading_um, noise_um)
    smooth = Rows(seen.stop_rad, seen.level_s, seen.level_um, None, 0.0, 2)
    found = [_fitted(seen, fit_surface(rows, step_um, MOST_ORDERS), step_um)]
    for first, alike in STARTS:
        found.append(_fitted(seen, fit_surface(smooth, step_um, first[0]), step_um, first, alike))
    return min(found, key=lambda one: _unlikely(one, seen)), int(seen.way.size)


def _fitted(
    seen: _Seen, surface: Surface, step_um: float, first: tuple[int, ...] = (), alike: int = 0
) -> Surface:
    """The fit that is reached from a first guess of the surface.

    By way of few orders (`first`), and of ways that are all smooth steps for `alike` rounds more.
    """
    unknown, usual = seen.first_guess, np.sqrt(seen.variance)
    time_s = np.concatenate([seen.level_s, seen.time_s])
    reading = np.concatenate([seen.level_um, seen.reading_um])
    weight = np.concatenate([seen.noise_um**2 / seen.level_variance, np.ones(seen.way.size)])
    stepped = len(first) + alike
    for count, orders in enumerate((*first, *[MOST_ORDERS] * (alike + ROUNDS))):
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
            beside_variance=seen.variance if count >= stepped or not alike else seen.smooth_steps(),
        )
        before, surface = surface, fit_surface(rows, step_um, orders)
        # One standard deviation at a time: far from a way's middle its slope says little.
        unknown = unknown + np.clip(surface.beside - unknown, -usual, usual)
        if count >= stepped and _alike(before, surface):
            break
    return surface


def _unlikely(surface: Surface, seen: _Seen) -> float:
    """Minus twice the logarithm of the posterior density, but for constants; the fits are told apart by it.

    What is left, what the ways differ from the usual, and for every order that stands above the noise the
    logarithm of by how much (D. J. C. MacKay, Neural Computation 4, 1992: the price of a fitted parameter).
    """
    rows = surface.used
    power = np.square(surface.mean[surface.shape.periodic]).reshape(-1, 2).sum(axis=1)
    stands_out = 2.0 * float(np.log1p(0.25 * rows * power / surface.noise_um**2).sum())
    usual = float(np.sum(surface.beside**2 / seen.variance))
    return 2.0 * rows * math.log(surface.noise_um) + usual + stands_out


def _alike(one: Surface, other: Surface) -> bool:
    """Whether two fits have the same orders."""
    if one.shape.orders != other.shape.orders or one.mean.size != other.mean.size:
        return False
    return float(np.abs(one.mean - other.mean)[one.shape.periodic].max()) < SETTLED_UM


def _seen(levels: StopLevels, trace: Trace, noise_um: float, step_um: float) -> _Seen:
    """Rests and ways; a way begins before it is seen to, because a hand starts slowly."""
    time_s, reading = trace.time_s, trace.reading_um
    left, right = time_s[levels.last[:-1]], time_s[levels.first[1:]]
    seen_took = (right - left) / (1 - 2 * SEEN_LATE)
    took = float(np.median(seen_took))
    middle = 0.5 * (left + right)
    guess = np.zeros(4 * middle.size + 3)
    # Where a stop lies on a flat place of the flange the way is seen still later: a hand's ways are alike.
    guess[2 * middle.size + 1 : 3 * middle.size + 1] = np.maximum(seen_took / took - 1, 0.0)
    reach = 0.5 * np.maximum(seen_took, took) + MARGIN * took
    starts, ends = middle - reach, middle + reach
    # A rest keeps the middle third of what lies between the middles of its ways' seen ends.
    rest = right[:-1], left[1:]
    ends[:-1] = np.minimum(ends[:-1], (2 * rest[0] + rest[1]) / 3)
    starts[1:] = np.maximum(starts[1:], (rest[0] + 2 * rest[1]) / 3)
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
        middle_s=middle,
        took_s=took,
        first_guess=guess,
        level_s=np.array([float(time_s[rows].mean()) for rows in inside]),
        level_um=np.array([float(reading[rows].mean()) for rows in inside]),
        level_variance=mean_of_steps_um(step_um, usual) ** 2 + usual**2 / count + WOBBLE_UM**2,
        noise_um=noise_um,
    )
