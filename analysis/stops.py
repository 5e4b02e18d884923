"""Run-out from stops: the hub is turned to a stud, let rest, read, and turned on.

The rest levels are known sharply, at known angles, but at few places: from five places a turn nobody can
tell order 1 from order 4 or 6. The readings taken on the way from one stop to the next see what lies
between. Their angle is known less well: a hand speeds up and slows down, which lies between an even pace
and a smooth step, and where the surface is steep that makes a reading on the way uncertain. Both enter one
fit, each with its weight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.harmonics import Order, harmonic_columns, order_from_pair
from analysis.thinning import Rows
from analysis.trace import BoolArray, FloatArray, IntArray
from analysis.values import Component

SAME_PLACE_RAD = math.radians(5.0)
STOP_STANDARD_RAD = math.radians(0.8)  # how well a stud is brought to the pointer; common practice
ON_THE_WAY = 0.11  # of the way: standard deviation of the angle half-way from stop to stop


@dataclass(frozen=True, slots=True, eq=False)
class StopLevels:
    """The rests.

    Attributes:
        places: places a turn.
        angle_rad: (m,) cumulative angle of each rest.
        time_s: (m,) mean time.
        level_um: (m,) mean reading.
        first: (m,) row of the first reading of each rest.
        last: (m,) row of its last.
    """

    places: int
    angle_rad: FloatArray
    time_s: FloatArray
    level_um: FloatArray
    first: IntArray
    last: IntArray


def rests(time_s: FloatArray, angle_rad: FloatArray, reading_um: FloatArray) -> StopLevels:
    """The rests among readings whose angle is NaN on the way from one to the next."""
    known = np.flatnonzero(np.isfinite(angle_rad))
    stop = np.concatenate([[0], np.cumsum(np.abs(np.diff(angle_rad[known])) > SAME_PLACE_RAD)])
    count = np.bincount(stop).astype(np.float64)
    edges = np.concatenate([[0], np.cumsum(count)]).astype(np.intp)
    angle = np.bincount(stop, weights=angle_rad[known]) / count
    turns = float(np.ptp(angle)) / (2 * np.pi)
    return StopLevels(
        places=max(1, round((angle.size - 1) / turns)) if turns > 0 else 1,
        angle_rad=np.asarray(angle, np.float64),
        time_s=np.asarray(np.bincount(stop, weights=time_s[known]) / count, np.float64),
        level_um=np.asarray(np.bincount(stop, weights=reading_um[known]) / count, np.float64),
        first=known[edges[:-1]],
        last=known[edges[1:] - 1],
    )


def stop_rows(
    levels: StopLevels, time_s: FloatArray, reading_um: FloatArray, noise_um: float
) -> tuple[Rows, BoolArray]:
    """Rows for the fit, and which of them are rests.

    Args:
        levels: the rests.
        time_s: (n,) time of all readings.
        reading_um: (n,) all readings.
        noise_um: standard deviation of one reading, its rounding included.

    Weights are against one reading of that noise. Readings at rest are rounded alike, so a rest counts as
    one reading however long it was. The angle errors of one way are alike too, so the readings of one way
    share what one of them is worth where the surface is steep.
    """
    angle, way = [levels.angle_rad], [np.zeros(levels.angle_rad.size)]
    time, reading = [levels.time_s], [levels.level_um]
    shared = [np.ones(levels.angle_rad.size)]
    for k in range(levels.angle_rad.size - 1):
        rows = np.arange(levels.last[k] + 1, levels.first[k + 1])
        if not rows.size:
            continue
        left, right = time_s[levels.last[k]], time_s[levels.first[k + 1]]
        part = (time_s[rows] - left) / (right - left)
        step = levels.angle_rad[k + 1] - levels.angle_rad[k]
        angle.append(levels.angle_rad[k] + step * (part + part**2 * (3 - 2 * part)) / 2)
        way.append(np.abs(step) * 4 * part * (1 - part) * ON_THE_WAY)
        time.append(time_s[rows])
        reading.append(reading_um[rows])
        shared.append(np.full(rows.size, float(rows.size)))
    all_angle = np.concatenate(angle)
    slope = _slope_at(levels, all_angle)
    unsure = np.hypot(np.concatenate(way), STOP_STANDARD_RAD)
    steep = slope**2 * unsure**2 * np.concatenate(shared)
    weight = noise_um**2 / (noise_um**2 + steep)
    rows_out = Rows(
        all_angle, np.concatenate(time), np.concatenate(reading), weight, within_square=0.0, together=2
    )
    at_rest = np.arange(all_angle.size) < levels.angle_rad.size
    return rows_out, at_rest


def _slope_at(levels: StopLevels, angle_rad: FloatArray) -> FloatArray:
    """Slope of the surface, um/rad, from the orders that the rests alone can tell, not below their mean."""
    highest = min(max(1, (levels.places - 1) // 2), max(1, (levels.level_um.size - 2) // 2))
    design = np.hstack([np.ones((levels.angle_rad.size, 1)), harmonic_columns(levels.angle_rad, highest)])
    found = np.linalg.lstsq(design, levels.level_um, rcond=None)[0][1:]
    order = np.repeat(np.arange(1, highest + 1), 2)
    turned = np.empty(found.size)
    turned[0::2], turned[1::2] = found[1::2], -found[0::2]
    slope = harmonic_columns(angle_rad, highest) @ (order * turned)
    usual = math.sqrt(float(order**2 @ found**2) / 2)
    return np.asarray(np.hypot(slope, 0.5 * usual), np.float64)


def spread_at_stops(levels: StopLevels, fitted_um: FloatArray, step_um: float) -> float | None:
    """Largest spread at one place over the turns, one step not counted; None without a second visit.

    Args:
        levels: the rests.
        fitted_um: (m,) drift at each rest, to be taken off.
        step_um: step of the indicator.
    """
    place = np.mod(np.rint(levels.angle_rad * levels.places / (2 * np.pi)).astype(np.intp), levels.places)
    if np.bincount(place).max() < 2:
        return None
    left = levels.level_um - fitted_um
    largest = max(float(np.ptp(left[place == one])) for one in np.unique(place))
    return max(0.0, largest - step_um)


@dataclass(frozen=True, slots=True, eq=False)
class StopFit:
    """Figures from the rest levels, um and degrees.

    Attributes:
        stops: places a turn.
        movement_um: largest minus smallest level in the turn in which that is largest.
        per_turn_um: the same of every whole turn.
        repeatable_um: largest minus smallest of the levels averaged at each place.
        standard_um: standard uncertainty of these.
        non_repeatable_um: largest spread at one place, steps not counted; None without a second visit.
        orders: those below half the number of places.
        after_order_1_um: movement of the averaged levels without order 1; None when order 1 takes all.
        high_spot_deg: place of the highest level.
        drift_um: from the first to the last level.
        components: budget of `movement_um`.
    """

    stops: int
    movement_um: float
    per_turn_um: tuple[float, ...]
    repeatable_um: float
    standard_um: float
    non_repeatable_um: float | None
    orders: tuple[Order, ...]
    after_order_1_um: float | None
    high_spot_deg: float
    drift_um: float | None
    components: tuple[Component, ...]


def fit_stops(angle_rad: FloatArray, reading_um: FloatArray, step_um: float) -> StopFit:
    """Figures from readings at rest.

    Args:
        angle_rad: (n,) cumulative angle of each reading, the same within a stop.
        reading_um: (n,) readings at rest.
        step_um: step of the indicator.

    A level is the mean of its readings. Readings at rest are rounded alike, so that their mean is no
    better than step/sqrt(12) unless noise smears the steps; that is the uncertainty of a level here. An
    order of exactly half the number of places shows only part of its swing and is left out.
    """
    angle, level = _levels(angle_rad, reading_um)
    turns = np.ptp(angle) / (2 * np.pi)
    stops = max(1, round((angle.size - 1) / turns)) if turns > 0 else 1
    place = np.mod(np.rint(angle * stops / (2 * np.pi)).astype(np.intp), stops)
    visits = np.bincount(place, minlength=stops)
    drift, level = _without_drift(angle, level, place, visits)
    average: FloatArray = np.bincount(place, weights=level, minlength=stops) / np.maximum(visits, 1.0)
    average = average[visits > 0]
    places = np.flatnonzero(visits).astype(np.float64) * (2 * np.pi / stops)
    one_um = _level_standard(level, average, place, visits, step_um)
    per_turn = tuple(
        float(np.ptp(level[first : first + stops])) for first in range(0, angle.size - stops + 1, stops)
    )
    orders, left = _orders(places, average, one_um / math.sqrt(max(1.0, float(visits.mean()))), stops)
    spread = max(float(np.ptp(level[place == p])) for p in range(stops) if visits[p])
    return StopFit(
        stops=stops,
        movement_um=max(per_turn, default=float(np.ptp(average))),
        per_turn_um=per_turn,
        repeatable_um=float(np.ptp(average)),
        standard_um=one_um * math.sqrt(2 / max(1.0, float(visits.mean()))),
        non_repeatable_um=max(0.0, spread - step_um) if visits.max() > 1 else None,
        orders=orders,
        after_order_1_um=left,
        high_spot_deg=math.degrees(float(places[np.argmax(average)])),
        drift_um=drift,
        components=(Component(f"two rest levels, step {step_um:g} um", one_um * math.sqrt(2), "B"),),
    )


def _levels(angle_rad: FloatArray, reading_um: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean angle and mean reading of every stop, in the order of the angle's steps."""
    stop = np.concatenate([[0], np.cumsum(np.abs(np.diff(angle_rad)) > SAME_PLACE_RAD)])
    count = np.bincount(stop)
    return np.bincount(stop, weights=angle_rad) / count, np.bincount(stop, weights=reading_um) / count


def _without_drift(
    angle: FloatArray, level: FloatArray, place: IntArray, visits: IntArray
) -> tuple[float | None, FloatArray]:
    """Even drift, from the places that were visited again; None when none was."""
    if int((visits > 1).sum()) < 2:
        return None, level
    mean_angle = np.bincount(place, weights=angle) / np.maximum(np.bincount(place), 1)
    mean_level = np.bincount(place, weights=level) / np.maximum(np.bincount(place), 1)
    passed = angle - mean_angle[place]
    slope = float(passed @ (level - mean_level[place])) / float(passed @ passed)
    return slope * float(angle[-1] - angle[0]), level - slope * (angle - angle.mean())


def _level_standard(
    level: FloatArray, average: FloatArray, place: IntArray, visits: IntArray, step_um: float
) -> float:
    """Standard uncertainty of one level: its rounding, or its scatter at one place if that is larger."""
    rounding = step_um / math.sqrt(12)
    freedom = level.size - average.size - 1
    if freedom < 2:
        return rounding
    back = np.bincount(place, weights=level) / np.maximum(np.bincount(place), 1)
    return max(rounding, math.sqrt(float(((level - back[place]) ** 2).sum()) / freedom))


def _orders(
    places: FloatArray, average: FloatArray, standard: float, stops: int
) -> tuple[tuple[Order, ...], float | None]:
    highest = min((stops - 1) // 2, (average.size - 1) // 2)
    if highest < 1:
        return (), None
    columns = [np.ones(places.size)]
    for order in range(1, highest + 1):
        columns += [np.cos(order * places), np.sin(order * places)]
    design = np.column_stack(columns)
    found = np.linalg.lstsq(design, average, rcond=None)[0]
    covariance: FloatArray = np.asarray(np.linalg.inv(design.T @ design) * standard**2, np.float64)
    orders = tuple(
        order_from_pair(
            k,
            float(found[2 * k - 1]),
            float(found[2 * k]),
            covariance[2 * k - 1 : 2 * k + 1, 2 * k - 1 : 2 * k + 1],
        )
        for k in range(1, highest + 1)
    )
    left = average - design[:, 1:3] @ found[1:3]
    return orders, float(np.ptp(left))
