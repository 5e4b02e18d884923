"""When readings were taken, from when they arrived: period, delays, and what is missing. Pure.

An indicator samples at an even pace by its own clock; cable, converter and radio only ever add delay.
The earliest arrivals therefore lie on a straight line over the count of readings, and every other one
above it: the line below all points with the least total distance is the edge of their lower convex hull
above the mean count (the linear programme of S. Moon, P. Skelly, D. Towsley, "Estimation and removal of
clock skew from network delay measurements", INFOCOM 1999; from memory). Its slope is the indicator's
period in the station's time, its height the offset of the indicator's clock with the least delay in it.
That least delay itself shows in no arrival: it stays unknown, alike for all readings of one link.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.trace import BoolArray, FloatArray, IntArray

FEWEST = 20
WINDOW = 25
"""Readings among which at least one comes without extra delay."""
MOST_ROUNDS = 4
BLOCK = 128
STEP_IN_PERIODS = 0.6
SAME_IN_PERIODS = 0.2
BUNCHED_SHARE = 0.02
BUNCHED_PERIODS = 0.5
"""An indicator samples evenly: readings nearer together than this were bunched by the link."""
MOST_DELAY_PERIODS = 40.0
MOST_MISSING = 0.25
"""Beyond this many periods above the line, or this share missing, the pace is none: some send at will."""


@dataclass(frozen=True, slots=True, eq=False)
class Arrival:
    """The pattern in which readings arrived; times in seconds of the trace, (n,) arrays in its order.

    Attributes:
        arrived_s: as they arrived, untouched.
        count: which sample of the indicator each is, from 0; leaps where samples are missing.
        period_s: the indicator's period in the station's time; None when there is no even pace.
        offset_s: when sample 0 arrived, or would have with the least delay; None without a pace.
        delay_s: how much later than with the least delay each arrived; zeros without a pace.
        missing: samples that never arrived.
    """

    arrived_s: FloatArray
    count: IntArray
    period_s: float | None
    offset_s: float | None
    delay_s: FloatArray
    missing: int

    @property
    def bunched(self) -> bool:
        """Whether the link delivers readings in bunches, so that arrival times mislead."""
        if self.period_s is None:
            return False
        near = np.diff(self.arrived_s) < BUNCHED_PERIODS * self.period_s
        return bool(np.mean(near) > BUNCHED_SHARE)

    def straightened(self, *, paced_link: bool = False) -> bool:
        """Whether times on the line are better than those of arrival; see `time_s`."""
        return self.period_s is not None and (paced_link or self.bunched)

    def time_s(self, *, paced_link: bool = False) -> FloatArray:
        """De-jittered times, (n,): on the line where the link delays, as arrived where it does not.

        An indicator's own unevenness looks like a delay, and putting it on a line would do harm. The line
        is taken where readings come in bunches, which an indicator never makes by itself.

        Args:
            paced_link: the link is known to hold readings back (a radio's connection events).
        """
        if self.period_s is None or self.offset_s is None or not self.straightened(paced_link=paced_link):
            return self.arrived_s
        return np.asarray(self.offset_s + self.period_s * self.count, dtype=np.float64)

    def skips(self) -> list[tuple[int, int]]:
        """(place in the trace, samples missing before it) for each leap."""
        leaps = np.diff(self.count) - 1
        return [(int(at) + 1, int(leaps[at])) for at in np.flatnonzero(leaps)]


def arrival_of(arrived_s: FloatArray) -> Arrival:
    """The pattern of `arrived_s`, (n,) seconds, never decreasing.

    Readings lost in a burst of delays are found by what lasts: from a lost one on even the earliest
    arrivals are a whole period late.
    """
    size = arrived_s.size
    plain = np.arange(size, dtype=np.intp)
    period = _first_period(arrived_s)
    if period is None:
        return Arrival(arrived_s, plain, None, None, np.zeros(size), 0)
    count = plain
    for _ in range(MOST_ROUNDS):
        before, count = count, _counted(arrived_s, period)
        offset, period = _below_all(count, arrived_s)
        if np.array_equal(before, count):
            break
    delay = np.maximum(0.0, arrived_s - (offset + period * count))
    missing = int(count[-1]) + 1 - size
    far = float(np.quantile(delay, 0.9)) > MOST_DELAY_PERIODS * period
    if far or missing > MOST_MISSING * size or not _even(delay, period):
        return Arrival(arrived_s, plain, None, None, np.zeros(size), 0)
    return Arrival(arrived_s, count, period, offset, delay, missing)


def _first_period(arrived_s: FloatArray) -> float | None:
    """The usual time a reading, from one to the next of the earliest arrivals of each block of readings."""
    if arrived_s.size < FEWEST:
        return None
    width = int(np.clip(arrived_s.size // 20, 5, WINDOW))
    period = float(np.median(arrived_s[width:] - arrived_s[:-width])) / width
    count = np.arange(arrived_s.size // width * width).reshape(-1, width)
    for _ in range(MOST_ROUNDS):
        above = arrived_s[count] - period * count
        first = np.take_along_axis(count, np.argmin(above, axis=1)[:, None], axis=1)[:, 0]
        period = float(np.median(np.diff(arrived_s[first]) / np.diff(first)))
    return period if period > 0.0 else None


def _counted(arrived_s: FloatArray, period: float) -> IntArray:
    """Which sample each reading is: counted on, with a leap where all later arrivals are late by periods."""
    size = arrived_s.size
    count = np.arange(size, dtype=np.intp)
    window = min(WINDOW, max(5, size // 4))
    at_first, leaps = 0, 0
    while at_first < size - window and leaps < size:
        rise = _rise(arrived_s, count, period, window, at_first)
        # Fewer readings than a window are left at the end: they may all be late and none missing.
        late = np.flatnonzero(rise[: min(BLOCK, size - window - at_first)] > STEP_IN_PERIODS * period)
        if not late.size:
            at_first += BLOCK
            continue
        here = rise[late[0] : late[0] + window] / period
        leap = max(1, round(float(here[0])))
        # Readings that were held back just before a loss look like later ones: none may end below the line.
        at = at_first + int(late[0]) + int(np.argmax(here >= leap - SAME_IN_PERIODS))
        count[at + 1 :] += leap
        leaps += 1
        at_first += int(late[0])  # a leap only lowers what comes after it: nothing before is late by it
    return count


def _rise(arrived_s: FloatArray, count: IntArray, period: float, window: int, at_first: int) -> FloatArray:
    """How much later the readings after each of a block's are than those up to it: a block at a time.

    A run of hours with many leaps would else be looked through as a whole for each of them.
    """
    begin, end = max(0, at_first - window + 1), min(arrived_s.size, at_first + BLOCK + 2 * window)
    above = arrived_s[begin:end] - period * count[begin:end]
    rise = _least_ahead(above, window)[1:] - _least_behind(above, window)[:-1]
    return np.asarray(rise[at_first - begin :])


def _least_ahead(values: FloatArray, window: int) -> FloatArray:
    """(n,) the least of each value and the `window` - 1 after it."""
    padded = np.concatenate([values, np.full(window - 1, np.inf)])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, window).min(axis=1))


def _least_behind(values: FloatArray, window: int) -> FloatArray:
    """(n,) the least of each value and the `window` - 1 before it."""
    return _least_ahead(values[::-1], window)[::-1]


def _below_all(count: IntArray, arrived_s: FloatArray) -> tuple[float, float]:
    """Height and slope of the line below all points with the least sum of distances."""
    hull: list[int] = []
    xs, ys = count.tolist(), arrived_s.tolist()
    for index in range(len(xs)):
        while len(hull) >= 2 and _turns_down(hull[-2], hull[-1], index, xs, ys):
            hull.pop()
        hull.append(index)
    mean = float(np.mean(count))
    right = next((place for place, index in enumerate(hull) if xs[index] >= mean and place), len(hull) - 1)
    first, last = hull[right - 1], hull[right]
    slope = (ys[last] - ys[first]) / (xs[last] - xs[first])
    return ys[first] - slope * xs[first], slope


def _turns_down(a: int, b: int, c: int, xs: list[int], ys: list[float]) -> bool:
    """Whether `b` lies on or above the line from `a` to `c`."""
    return (ys[b] - ys[a]) * (xs[c] - xs[a]) >= (ys[c] - ys[a]) * (xs[b] - xs[a])


def _even(delay: FloatArray, period: float) -> bool:
    """Whether the line holds all along: in each window some reading comes with little extra delay."""
    window = min(WINDOW, max(5, delay.size // 4))
    least: BoolArray = _least_ahead(delay, window)[: max(1, delay.size - window)] < 5.0 * period
    return bool(np.mean(least) > 0.8)
