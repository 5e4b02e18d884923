"""Rests at the studs and the readings on the way between them: closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.stops import StopLevels, rests, spread_at_stops, stop_rows
from analysis.trace import FloatArray

REST = 20
WAY = 14


def surface(angle: FloatArray) -> FloatArray:
    return 20 * np.cos(angle - 0.5) + 5 * np.cos(2 * angle) + 2 * np.cos(5 * angle - 1)


def stopped(
    studs: int, turns: int, lift_um: float = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Time, known angle (NaN on the way), true angle and reading; the second turn lifted by `lift_um`."""
    rng = np.random.default_rng(1)
    count = studs * turns + 1
    part = np.concatenate([np.zeros(REST), np.linspace(0, 1, WAY + 2)[1:-1]])
    pace = np.concatenate([np.zeros(REST), (1 - np.cos(np.pi * part[REST:])) / 2])
    at = (np.arange(count)[:, None] + pace).ravel()[:-WAY]
    known = (np.arange(count)[:, None] + np.where(part > 0, np.nan, 0.0)).ravel()[:-WAY]
    angle = 2 * math.pi * at / studs
    exact = surface(angle) + lift_um * (at >= studs - 0.5)
    return (
        np.arange(at.size) / 25.0,
        2 * math.pi * known / studs,
        angle,
        np.round(exact + rng.normal(0, 0.2, at.size)),
    )


def levels_of(studs: int, turns: int, lift_um: float = 0.0) -> StopLevels:
    time_s, known, _, reading = stopped(studs, turns, lift_um)
    return rests(time_s, known, reading)


def test_rests_and_their_places() -> None:
    levels = levels_of(5, 2)
    assert levels.places == 5
    assert levels.level_um.size == 11
    assert np.abs(levels.level_um - surface(levels.angle_rad)).max() < 0.6
    assert np.all(levels.last - levels.first == REST - 1)


def test_spread_at_one_stud() -> None:
    assert spread_at_stops(levels_of(5, 2, lift_um=8.0), np.zeros(11), 1.0) == pytest.approx(7.0, abs=1.0)
    time_s, known, _, reading = stopped(5, 1)
    once = rests(time_s[:-REST], known[:-REST], reading[:-REST])
    assert spread_at_stops(once, np.zeros(once.level_um.size), 1.0) is None


def test_angles_on_the_way_lie_near_a_smooth_step() -> None:
    """A smooth step differs from the mean of it and an even pace by 5 % of the way at the most."""
    time_s, _, true, reading = stopped(5, 2)
    rows, at_rest = stop_rows(levels_of(5, 2), time_s, reading, 0.35)
    assert int(at_rest.sum()) == 11
    on_the_way = rows.angle_rad[~at_rest]
    assert on_the_way.size == 10 * WAY
    known = np.interp(rows.time_s[~at_rest], time_s, true)
    assert np.abs(on_the_way - known).max() < 0.06 * 2 * math.pi / 5


def test_a_reading_on_a_steep_way_weighs_less_than_a_rest() -> None:
    time_s, _, _, reading = stopped(5, 2)
    rows, at_rest = stop_rows(levels_of(5, 2), time_s, reading, 0.35)
    assert rows.weight is not None
    assert rows.weight.max() <= 1.0
    assert rows.weight[~at_rest].max() < rows.weight[at_rest].min()
