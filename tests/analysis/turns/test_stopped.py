"""Rests from stud to stud: told from turning, counted, and cut where two look like one."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from analysis.cleaning import clean
from analysis.trace import FloatArray, Trace
from analysis.turns import find_turns
from analysis.turns.stopped import find_stops
from analysis.values import Setup

RATE_HZ = 25.0
REST_S = 1.4
WAY_S = 0.8


def surface(turned: FloatArray) -> FloatArray:
    angle = 2 * np.pi * turned
    return np.asarray(30 * np.cos(angle) + 9 * np.cos(2 * angle + 1.0) + 2 * np.cos(5 * angle))


def stop_by_stop(places: int, stops: int, noise_um: float, seed: int = 3) -> Trace:
    """Every way at the smoothest pace there is (minimum jerk), each stop within half a degree of its stud."""
    rng = np.random.default_rng(seed)
    studs = np.arange(stops) / places + rng.uniform(-0.5, 0.5, stops) / 360.0
    pace = np.linspace(0.0, 1.0, round(WAY_S * RATE_HZ))
    pace = 10 * pace**3 - 15 * pace**4 + 6 * pace**5
    pieces = [np.full(round(REST_S * RATE_HZ), studs[0])]
    for here, there in pairwise(studs):
        rest = np.full(round(rng.uniform(0.8, 1.2) * REST_S * RATE_HZ), there)
        pieces += [here + (there - here) * pace, rest]
    turned = np.concatenate(pieces)
    read = np.round(surface(turned) + rng.normal(0.0, noise_um, turned.size))
    return Trace(np.arange(turned.size) / RATE_HZ, read, resolution_um=1.0)


@pytest.mark.parametrize("noise_um", [0.1, 0.45])
@pytest.mark.parametrize(("places", "stops"), [(4, 12), (5, 10), (6, 13), (8, 17)])
def test_stops_are_counted_whatever_the_noise(places: int, stops: int, noise_um: float) -> None:
    """A noise above the calmest stretches' once hid the rests, and the trace passed for turning."""
    turns = find_turns(clean(stop_by_stop(places, stops, noise_um)))
    assert turns.found_by == "stops"
    assert turns.total == pytest.approx((stops - 1) / places)


@pytest.mark.parametrize("turn_s", [4.0, 7.0, 12.0])
@pytest.mark.parametrize("lift_um", [6.0, 30.0])
def test_crests_of_a_turned_flange_are_no_stops(turn_s: float, lift_um: float) -> None:
    rng = np.random.default_rng(8)
    time_s = np.arange(0.0, 4 * turn_s, 1 / RATE_HZ)
    turned = time_s / turn_s + 0.06 * np.sin(2 * np.pi * 2.6 * time_s / turn_s)
    read = np.round(lift_um / 30.0 * surface(turned) + rng.normal(0.0, 0.4, time_s.size))
    assert find_stops(time_s, read, 0.5, 1.0) is None


def test_two_studs_on_a_flat_place_are_two_stops() -> None:
    """Symmetrical about the low place of order 1: the way between them stays within noise and a step."""
    rng = np.random.default_rng(5)
    level = np.array([0.0, 12.0, 31.0, 31.3, 11.0] * 3)
    pace = np.linspace(0.0, 1.0, round(WAY_S * RATE_HZ))
    pace = 3 * pace**2 - 2 * pace**3
    pieces = [np.full(35, level[0])]
    for here, there in pairwise(level):
        pieces += [here + (there - here) * pace, np.full(35, there)]
    exact = np.concatenate(pieces)
    read = np.round(exact + rng.normal(0.0, 0.35, exact.size))
    found = find_stops(np.arange(read.size) / RATE_HZ, read, 0.45, 1.0)
    assert found is not None
    assert len(found) == 15


@pytest.mark.parametrize("levels", [(18.0, -19.0, 20.0), (20.0, -19.0)])
def test_strokes_in_a_run_out_are_no_stops(levels: tuple[float, ...]) -> None:
    """Free, pulled, pushed: three strokes passed for a hub with three studs, and for one within its limit."""
    rng = np.random.default_rng(5)
    held = np.tile(levels, 4)
    pieces = [np.full(40, held[0])]
    for here, there in pairwise(held):
        pieces += [np.linspace(here, there, 6), np.full(40, there)]
    read = np.concatenate(pieces)
    read = np.round(read + rng.normal(0.0, 0.2, read.size))
    turns = find_turns(clean(Trace(np.arange(read.size) / RATE_HZ, read, resolution_um=1.0)))
    assert turns.total is None
    assert "to_and_fro" in {note.code for note in turns.notes}


def test_three_studs_are_believed_when_they_are_said() -> None:
    trace = stop_by_stop(3, 10, 0.4)
    assert find_turns(clean(trace)).total is None
    assert find_turns(clean(trace), Setup(studs=3)).total == pytest.approx(3.0)
