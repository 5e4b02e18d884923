"""Run-out from stops at the studs: simulated flanges with orders to 20, against the simulator's truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.cleaning import clean
from analysis.measure import measure_runout
from analysis.runout import take_apart
from analysis.stop_fit import fit_stops
from analysis.stops import rests
from analysis.turns import find_turns
from simulators.accuracy import accuracy_case
from tests.recordings import trace_of


def test_the_ways_between_stops_show_what_lies_between() -> None:
    """The levels of four to eight places alone miss 5 to 25 um of the movement of these flanges."""
    off, missed = [], []
    for seed in (5020, 5032):
        recording = accuracy_case("stops", seed)
        cleaned = clean(trace_of(recording))
        turns = find_turns(cleaned)
        assert turns.found_by == "stops"
        true_um = recording.truth.turn.repeatable_um
        runout = take_apart(cleaned, turns)
        assert runout.repeatable_um is not None
        assert [note.code for note in runout.notes] == ["stops"]
        off.append(runout.repeatable_um - true_um)
        assert turns.angle_deg is not None
        levels = rests(cleaned.trace.time_s, np.deg2rad(turns.angle_deg), cleaned.trace.reading_um)
        missed.append(float(np.ptp(levels.level_um)) - true_um)
    assert np.max(np.abs(off)) < 1.5
    assert np.min(missed) < -3.0


def test_the_pace_of_the_hand_is_not_taken_as_known() -> None:
    """The same ways at an even pace instead of a smooth step: the movement hardly changes."""
    recording = accuracy_case("stops", 5024)
    cleaned = clean(trace_of(recording))
    turns = find_turns(cleaned)
    assert turns.angle_deg is not None
    trace = cleaned.trace
    levels = rests(trace.time_s, np.deg2rad(turns.angle_deg), trace.reading_um)
    time_s = trace.time_s.copy()
    for last, first in zip(levels.last[:-1], levels.first[1:], strict=True):
        left, took = time_s[last], time_s[first] - time_s[last]
        part = (time_s[last : first + 1] - left) / took
        time_s[last : first + 1] = left + took * (0.3 * part + 0.7 * (3 * part**2 - 2 * part**3))
    smooth, _ = fit_stops(levels, trace, cleaned.noise_um, cleaned.resolution_um)
    even, _ = fit_stops(levels, replace(trace, time_s=time_s), cleaned.noise_um, cleaned.resolution_um)
    first_two = slice(3, 7)
    assert np.max(np.abs(smooth.mean[first_two] - even.mean[first_two])) < 3.0


def test_orders_come_out_though_few_places_mix_them() -> None:
    """From five places order 1 cannot be told from 4 or 6; the likeliest of several fits of the ways can."""
    off = []
    for seed in (8031, 8100):  # a fit from one beginning was 5 um off in an order
        recording = accuracy_case("stops", seed)
        cleaned = clean(trace_of(recording))
        runout = take_apart(cleaned, find_turns(cleaned))
        pairs = zip(runout.orders[:2], recording.truth.turn.orders, strict=False)
        off += [found.amplitude_um - true.amplitude_um for found, true in pairs]
    assert np.max(np.abs(off)) < 1.5


def test_low_stops_are_no_gaps_of_the_surface() -> None:
    """Two low studs of four once passed for holes; the run-out was 8 um short."""
    recording = accuracy_case("stops", 9013)
    result = measure_runout(trace_of(recording))
    assert "surface_gaps" not in {reason.code for reason in result.reasons}
    assert result.fim_mm.repeatable == pytest.approx(recording.truth.turn.repeatable_um / 1000.0, abs=0.001)
