"""A second indicator: taken off as a reference, or given a result of its own on the pilot."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.measure import measure_runout
from analysis.second_indicator import interpolated, same_angle, second_trace, surer, take_off_reference
from analysis.trace import FloatArray, Trace
from analysis.values import Turns
from config.errors import InputError

RNG_SEED = 11


def face(time_s: FloatArray) -> FloatArray:
    """Five turns in 30 s, never quite even."""
    angle = turned(time_s)
    return 22 * np.cos(angle - 1.0) + 8 * np.cos(2 * angle) + 3 * np.cos(3 * angle - 0.3)


def turned(time_s: FloatArray) -> FloatArray:
    return np.asarray(2 * np.pi * (time_s / 6 + 0.05 * np.sin(time_s * 0.7)), np.float64)


def sway(time_s: FloatArray) -> FloatArray:
    """A knuckle that gives way as the hands push."""
    return 12 * np.sin(time_s * 0.35) + 6 * np.sin(time_s * 1.3 + 1)


def pair(every: int = 1, noise_um: float = 0.3) -> Trace:
    """The face with the knuckle's sway in it, and the knuckle, read `every` so many rows."""
    rng = np.random.default_rng(RNG_SEED)
    time_s = np.arange(900) / 30.0
    first = np.round(face(time_s) + sway(time_s) + rng.normal(0, noise_um, 900))
    second = np.round(sway(time_s) + rng.normal(0, noise_um, 900))
    second[np.arange(900) % every != 0] = np.nan
    return Trace(time_s, first, angle_deg=np.rad2deg(turned(time_s)), reading2_um=second, resolution_um=1.0)


@pytest.mark.parametrize("every", [1, 3])
def test_reference_is_taken_off(every: int) -> None:
    trace = pair(every)
    left = take_off_reference(trace)
    wrong = left.trace.reading_um - face(left.trace.time_s)
    assert float(np.std(wrong)) < 0.8
    assert float(np.std(trace.reading_um - face(trace.time_s))) > 5
    assert left.moved_um == pytest.approx(float(np.ptp(sway(trace.time_s))), abs=2)


def test_noise_that_the_reference_adds() -> None:
    """Between two readings (1-a)^2 + a^2 of the variance is left: 19/27 on average at thirds."""
    one = take_off_reference(pair(1, noise_um=1.5)).added_um
    third = take_off_reference(pair(3, noise_um=1.5)).added_um
    single = math.hypot(1.5, 1 / math.sqrt(12))
    assert one == pytest.approx(single, rel=0.25)
    assert third / one == pytest.approx(math.sqrt(19 / 27), rel=0.25)


def test_nothing_is_carried_across_a_gap_or_beyond_the_ends() -> None:
    at = np.array([0.0, 1, 2, 3, 20, 21, 22, 23])
    wanted = np.array([-0.5, 0.5, 3.0, 10.0, 20.5, 23.5])
    value, share, near = interpolated(wanted, at, at * 2)
    assert near.tolist() == [False, True, True, False, True, False]
    assert value[near].tolist() == [1.0, 6.0, 41.0]
    assert share[near].tolist() == [0.5, 1.0, 0.5]


def test_missing_reference_is_said() -> None:
    trace = pair()
    assert trace.reading2_um is not None
    trace.reading2_um[300:400] = np.nan
    left = take_off_reference(trace)
    assert [note.code for note in left.notes] == ["reference_taken_off", "reference_missing"]
    assert int((~left.kept).sum()) == 100


@pytest.mark.parametrize("reading2", [None, np.full(900, np.nan)])
def test_no_second_indicator(reading2: FloatArray | None) -> None:
    time_s = np.arange(900) / 30.0
    with pytest.raises(InputError):
        take_off_reference(Trace(time_s, face(time_s), reading2_um=reading2))


def test_run_out_with_a_reference_end_to_end() -> None:
    result = measure_runout(pair(), second="reference")
    grid = np.linspace(0, 2 * np.pi, 3600)
    true = np.ptp(22 * np.cos(grid - 1.0) + 8 * np.cos(2 * grid) + 3 * np.cos(3 * grid - 0.3))
    assert result.fim_mm.repeatable == pytest.approx(true / 1000, abs=0.0008)
    assert "reference_taken_off" in [reason.code for reason in result.reasons]
    assert max(result.fim_mm.per_turn) == pytest.approx(true / 1000, abs=0.001)
    assert max(measure_runout(pair()).fim_mm.per_turn) > 1.2 * true / 1000  # the knuckle in it


def test_pilot_has_its_own_result_on_the_same_angle() -> None:
    rng = np.random.default_rng(RNG_SEED)
    time_s = np.arange(900) / 30.0
    angle = turned(time_s)
    pilot = np.round(10 * np.cos(angle - 2.0) + 3 * np.cos(2 * angle) + rng.normal(0, 0.3, 900))
    trace = Trace(
        time_s,
        np.round(face(time_s) + rng.normal(0, 0.3, 900)),
        angle_deg=np.rad2deg(angle),
        reading2_um=pilot,
        resolution_um=1.0,
    )
    result = measure_runout(trace, second="pilot")
    assert result.pilot is not None
    assert result.eccentricity_mm is None
    assert result.pilot.eccentricity_mm == pytest.approx(0.010, abs=0.0002)
    assert result.pilot.out_of_round_mm == pytest.approx(0.006, abs=0.0004)
    assert result.pilot.per_turn_orders[0].peak_deg == pytest.approx(math.degrees(2.0), abs=1)
    assert result.per_turn_orders[0].peak_deg == pytest.approx(math.degrees(1.0), abs=1)


def test_second_trace_keeps_the_rows_that_it_has() -> None:
    part = second_trace(pair(3))
    assert len(part) == 300
    assert part.angle_deg is not None
    assert part.reading2_um is None


def test_angle_carried_over_stops_where_nothing_is_known() -> None:
    turns = Turns(1.0, 1, "self", np.array([0.0, 1.0]), 0.9, angle_deg=np.array([np.nan, 0.0, 180.0, 360.0]))
    moved = same_angle(turns, np.array([0.0, 1, 2, 3]), np.array([0.5, 1.5, 3.0, 4.0]))
    assert moved.angle_deg is not None
    assert np.isnan(moved.angle_deg[[0, 3]]).all()
    assert moved.angle_deg[1:3].tolist() == [90.0, 360.0]
    nothing = Turns(None, 0, "none", np.empty(0), 0.0)
    assert surer(turns, nothing)
    assert not surer(nothing, turns)
