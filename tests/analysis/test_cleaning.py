"""Dirt in a trace, each made up here with a known answer; nothing of the project makes these traces."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.cleaning import clean, step_of
from analysis.cleaning_spikes import is_interrupted, lone_spikes
from analysis.cleaning_still import stuck
from analysis.trace import FloatArray, Trace


def flange(readings: int = 400, turns: float = 3.3, rate: float = 25.0, seed: int = 3) -> Trace:
    """A flange of 36 um, turned unevenly and read in steps of 1 um."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(readings) / rate
    part = time_s / time_s[-1]
    angle = 2 * np.pi * turns * (part + 0.012 * np.sin(9 * part))
    exact = 15 * np.cos(angle) + 5 * np.cos(2 * angle + 1) + 2 * np.cos(3 * angle + 2)
    return Trace(time_s, np.round(exact + rng.normal(0, 0.3, readings)), resolution_um=1.0)


def changed(trace: Trace, first: int, last: int | None, by_um: float) -> Trace:
    reading = trace.reading_um.copy()
    reading[first:last] += by_um
    return Trace(trace.time_s, reading, resolution_um=trace.resolution_um)


def codes(trace: Trace) -> set[str]:
    return {note.code for note in clean(trace).notes}


def test_a_high_spot_passed_quickly_is_no_spike() -> None:
    # Ten readings a turn, as of a slow indicator and a quick hand: the top itself is read once.
    angle = 2 * np.pi * np.arange(80) / 10.3
    quick = np.round(20 * np.cos(angle) + 14 * np.cos(2 * angle + 0.5))
    slow = np.repeat(quick[:1], 120)
    reading = np.concatenate([slow, quick, slow])
    assert not lone_spikes(reading, 0.3, 1.0).any()
    assert not is_interrupted(quick, 1.0)


@pytest.mark.parametrize("width", [1, 2, 3])
def test_spikes_are_found_to_the_reading(width: int) -> None:
    trace = flange()
    reading = trace.reading_um.copy()
    at = np.arange(30, 380, 41)
    rows = (at[:, None] + np.arange(width)).ravel()
    reading[rows] += 40.0
    cleaned = clean(Trace(trace.time_s, reading, resolution_um=1.0))
    assert set(np.flatnonzero(~cleaned.kept)) == set(rows)
    assert [note.code for note in cleaned.notes] == ["spikes"]


@pytest.mark.parametrize(("first", "last"), [(0, 1), (0, 3), (399, None), (397, None)])
def test_few_readings_at_an_end_are_no_slip(first: int, last: int | None) -> None:
    cleaned = clean(changed(flange(), first, last, -120.0))
    assert [note.code for note in cleaned.notes] == ["spikes"]
    assert not cleaned.corrected_um.any()


def test_a_hop_of_a_slow_indicator_is_no_slip() -> None:
    cleaned = clean(changed(flange(rate=8.0), 200, 205, 60.0))
    assert [note.code for note in cleaned.notes] == ["plunger_hops"]
    assert np.flatnonzero(~cleaned.kept).tolist() == [200, 201, 202, 203, 204]


def test_a_slip_after_a_rest_is_not_taken_for_a_stuck_indicator() -> None:
    trace = flange()
    rested: FloatArray = np.concatenate(
        [trace.reading_um[:200], np.full(12, trace.reading_um[200]), trace.reading_um[200:]]
    )
    rested[212:] += 45.0
    assert not stuck(rested, 0.4, 1.0).any()
    assert "slip" in codes(Trace(np.arange(412) / 25.0, rested, resolution_um=1.0))


def test_a_slip_within_a_long_rest_is_not_taken_for_a_stuck_indicator() -> None:
    # Two seconds at rest, the slip half-way: smaller than the way that the flange makes in that time.
    trace = flange()
    held = np.full(50, trace.reading_um[200])
    held[25:] += 20.0
    rested = np.concatenate([trace.reading_um[:200], held, trace.reading_um[200:] + 20.0])
    assert not stuck(rested, 0.4, 1.0).any()


def test_a_stuck_indicator_is_found() -> None:
    trace = flange()
    reading = trace.reading_um.copy()
    reading[150:190] = reading[150]
    held = np.flatnonzero(stuck(reading, 0.4, 1.0))
    assert held[0] <= 152
    assert held[-1] == 189
    assert "stuck_readings" in codes(Trace(trace.time_s, reading, resolution_um=1.0))


def test_a_gap_where_a_spike_was_is_no_slip() -> None:
    # Ten readings a second on a flange of 70 um: two readings apart the plunger has gone 12 um.
    trace = flange(readings=150, turns=3.3, rate=10.0)
    reading = np.round(2.0 * trace.reading_um)
    rows = np.arange(12, 140, 16)
    reading[rows] += 90.0
    cleaned = clean(Trace(trace.time_s, reading, resolution_um=2.0))
    assert [note.code for note in cleaned.notes] == ["spikes"]
    assert np.flatnonzero(~cleaned.kept).tolist() == rows.tolist()


@pytest.mark.parametrize("step_um", [12.7, 1.0, 0.5])
def test_the_step_of_many_readings_is_found_as_of_few(step_um: float) -> None:
    angle = np.linspace(0.0, 20.0, 120_000)
    reading = np.round(90.0 * np.cos(angle) / step_um) * step_um - 300.0
    assert step_of(reading, None) == pytest.approx(step_um, rel=1e-9)
    assert step_of(reading, None) == pytest.approx(step_of(reading[::50], None), rel=1e-9)
