"""Gaps of a surface and teeth of a ring, made up with a known answer."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.interrupted import holes_of, teeth_of, tips_of
from analysis.tip_envelope import fit_envelope
from analysis.tip_runout import clean_tips, take_tips_apart, without_holes
from analysis.trace import FloatArray, Trace
from analysis.values import Cleaned


def ring(turns: float = 3.4, teeth: int = 95, uneven: float = 0.0, stop_um: float = 0.0) -> Trace:
    """A ring 100 um out of centre: flat tips 300 um above the plunger's stop, 28 readings a tooth."""
    rng = np.random.default_rng(7)
    count = int(turns * teeth * 28)
    even = np.linspace(0, turns, count)
    at = even + uneven * np.sin(2 * np.pi * even * 1.3) / (2 * np.pi)
    inside = np.mod(at * teeth, 1.0)
    top = 300 + 100 * np.cos(2 * np.pi * at) + 4 * np.cos(4 * np.pi * at)
    flank = np.clip((0.42 - np.abs(inside - 0.5)) / 0.12, 0, 1)
    noisy = np.maximum(top * flank + rng.normal(0, 0.7, count) * (flank > 0), 0.0) + stop_um
    return Trace(np.arange(count) / 9.1, np.round(noisy), resolution_um=1.0)


def smooth(turns: float = 5.0, readings: int = 600) -> FloatArray:
    rng = np.random.default_rng(8)
    angle = 2 * np.pi * turns * np.arange(readings) / readings
    return np.asarray(np.round(25 * np.cos(angle) + 8 * np.cos(2 * angle) + rng.normal(0, 0.4, readings)))


def as_cleaned(reading: FloatArray) -> Cleaned:
    count = reading.size
    trace = Trace(np.arange(count) / 25.0, reading, resolution_um=1.0)
    return Cleaned(trace, np.ones(count, np.bool_), (), False, 0.5, 1.0, np.zeros(count))


def test_every_tip_is_found_once() -> None:
    trace = ring()
    assert tips_of(trace.reading_um).size == pytest.approx(3.4 * 95, abs=1)


@pytest.mark.parametrize(("uneven", "within"), [(0.0, 0.02), (0.05, 0.25)])
def test_turns_and_movement_of_a_ring(uneven: float, within: float) -> None:
    cleaned = clean_tips(ring(uneven=uneven))
    assert cleaned is not None
    turns, runout = take_tips_apart(cleaned)
    grid = np.linspace(0, 2 * np.pi, 3600)
    true = float(np.ptp(100 * np.cos(grid) + 4 * np.cos(2 * grid)))
    assert turns.total == pytest.approx(3.4, abs=within)
    assert turns.complete == 3
    assert runout.repeatable_um == pytest.approx(true, abs=2.0)
    assert runout.orders[0].amplitude_um == pytest.approx(100.0, abs=1.5)
    assert [note.code for note in cleaned.notes] == ["surface_teeth"]


def test_a_ring_set_to_zero_in_mid_run() -> None:
    trace = ring()
    jumped = np.where(np.arange(len(trace)) < 4000, trace.reading_um, trace.reading_um - 1500)
    cleaned = clean_tips(Trace(trace.time_s, jumped, resolution_um=1.0))
    assert cleaned is not None
    assert [note.code for note in cleaned.notes] == ["re_zero", "surface_teeth"]
    assert float(np.ptp(cleaned.corrected_um)) == pytest.approx(1500, abs=3)
    _, runout = take_tips_apart(cleaned)
    assert runout.repeatable_um == pytest.approx(200.0, abs=4.0)


def test_less_than_a_turn_of_a_ring_gives_no_run_out() -> None:
    cleaned = clean_tips(ring(turns=0.8))
    assert cleaned is not None
    turns, runout = take_tips_apart(cleaned)
    assert turns.complete == 0
    assert turns.confidence < 0.8
    assert runout.judged_um is None
    assert [note.code for note in runout.notes] == ["no_whole_turn"]


def test_a_smooth_flange_has_neither_gaps_nor_teeth() -> None:
    for turns in (2.3, 5.0, 40.0):
        reading = smooth(turns, int(120 * turns))
        assert teeth_of(reading, 1.0) is None
        assert holes_of(reading, 0.5, 1.0) is None


def test_stud_holes_are_set_aside() -> None:
    """Five holes a turn, 300 um deep, four readings wide."""
    whole = smooth()
    reading = whole.copy()
    for hole in range(25):
        middle = 12 + hole * 24
        reading[middle - 2 : middle + 2] -= 300
    cleaned = without_holes(as_cleaned(reading))
    assert [note.code for note in cleaned.notes] == ["surface_gaps"]
    left = np.flatnonzero(cleaned.kept)
    assert np.array_equal(cleaned.trace.reading_um, whole[left])
    assert left.size >= 600 - 25 * 7


def test_two_falls_are_not_a_pattern_of_holes() -> None:
    reading = smooth()
    reading[100:103] -= 300
    reading[300:304] -= 300
    assert holes_of(reading, 0.5, 1.0) is None
    assert without_holes(as_cleaned(reading)).notes == ()


def test_low_tips_do_not_pull_the_envelope_down() -> None:
    rng = np.random.default_rng(9)
    at = np.arange(300) / 95
    top = 50 * np.cos(2 * np.pi * at) + rng.normal(0, 0.8, 300)
    top[rng.random(300) < 0.3] -= rng.uniform(5, 60)
    envelope = fit_envelope(np.arange(300.0), top)
    assert envelope.movement_um == pytest.approx(100.0, abs=1.5)
    assert envelope.turns == pytest.approx(299 / 95, abs=0.05)


def test_few_tips_are_no_envelope() -> None:
    with pytest.raises(ValueError, match="too few"):
        fit_envelope(np.arange(12.0), np.cos(np.arange(12.0)))
