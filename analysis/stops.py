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

from analysis.harmonics import harmonic_columns
from analysis.thinning import Rows
from analysis.trace import BoolArray, FloatArray, IntArray

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
