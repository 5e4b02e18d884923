"""Run-out from stops: the hub is turned to a stud, let rest, read, and turned on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.harmonics import Order, order_from_pair
from analysis.trace import FloatArray, IntArray
from analysis.values import Component

SAME_PLACE_RAD = math.radians(5.0)


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
