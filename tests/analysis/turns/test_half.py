"""Half as many turns, or twice as many: simulated hubs that were once counted so, outright."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.cleaning import clean
from analysis.trace import Trace
from analysis.turns import find_turns
from simulators.accuracy import accuracy_case
from tests.recordings import trace_of

SURE = 0.8


@pytest.mark.parametrize(
    ("case", "seed"), [("ordinary-1um", 51028), ("curved-drift", 51027), ("curved-drift", 51041)]
)
def test_not_half_of_what_was_turned(case: str, seed: int) -> None:
    """A pull at the studs needs more orders a turn than half as many turns do; a bent drift bends twice."""
    recording = accuracy_case(case, seed)
    turns = find_turns(clean(trace_of(recording)))
    assert turns.total == pytest.approx(recording.truth.turn.total_turns, abs=0.25)


@pytest.mark.parametrize("seed", [53001, 53012, 51036])
def test_one_turn_is_not_surely_two(seed: int) -> None:
    """A slow motion beside the turns lets one turn be laid over two."""
    turns = find_turns(clean(trace_of(accuracy_case("one-turn", seed))))
    assert turns.confidence < SURE
    assert turns.alternatives


@pytest.mark.parametrize("seed", [53008, 53016])
def test_only_even_orders_are_named(seed: int) -> None:
    turns = find_turns(clean(trace_of(accuracy_case("pure-order-2", seed))))
    assert "turn_or_half_turn" in {note.code for note in turns.notes}


@pytest.mark.parametrize("turned", [3.3, 4.4])
def test_even_orders_2_4_and_6_are_not_surely_twice_the_turns(turned: float) -> None:
    """A warped flange, closed form: half a turn of it looks like one of another; both counts are named."""
    time_s = np.arange(0.0, 4.0 * turned, 0.05)
    angle = 2.0 * np.pi * (time_s / 4.0 + 0.02 * np.sin(1.3 * time_s))
    reading = 11.0 * np.cos(2 * angle) + 3.0 * np.cos(4 * angle - 1.0) + 2.0 * np.cos(6 * angle - 2.0)
    turns = find_turns(clean(Trace(time_s=time_s, reading_um=np.round(reading), resolution_um=1.0)))
    total = float(angle[-1] - angle[0]) / (2.0 * np.pi)
    assert turns.confidence < SURE
    assert min(abs(count - total) for count in (turns.total, *turns.alternatives)) < 0.25


def smooth(turned: float, turn_s: float, odd_um: float) -> Trace:
    """Closed form: orders 2, 4 and 6, and orders 1 and 3 of `odd_um`, in 1 um steps."""
    time_s = np.arange(0.0, turn_s * turned, 0.05)
    angle = 2.0 * np.pi * (time_s / turn_s + 0.02 * np.sin(1.3 * time_s))
    even = 11.0 * np.cos(2 * angle) + 3.0 * np.cos(4 * angle - 1.0) + 2.0 * np.cos(6 * angle - 2.0)
    odd = odd_um * (np.cos(angle - 0.5) + 0.2 * np.cos(3 * angle))
    return Trace(time_s=time_s, reading_um=np.round(even + odd), resolution_um=1.0)


def test_even_orders_alone_turned_at_leisure_are_not_surely_twice_the_turns() -> None:
    """2.3 turns of 6 s look like 4.6 of 3 s, which are no haste."""
    turns = find_turns(clean(smooth(2.3, 6.0, 0.0)))
    assert turns.confidence < SURE
    assert min(abs(count - 2.3) for count in (turns.total, *turns.alternatives)) < 0.25


def test_many_turns_at_leisure_are_stated() -> None:
    """5.9 turns of 5.5 s: half as many would take 11 s each, and a surface with even orders alone."""
    turns = find_turns(clean(smooth(5.9, 5.5, 12.0)))
    assert turns.confidence >= SURE
    assert abs(turns.total - 5.9) < 0.25


def test_an_evenly_turned_hub_keeps_its_even_speed() -> None:
    """A speed pattern that repeats every turn was taken for profile: 9 degrees, and 2.7 um of order 2."""
    time_s = np.arange(0.0, 16.5, 0.02)
    angle_deg = 72.0 * time_s
    mark = np.zeros(time_s.size, dtype=bool)
    mark[[50, 300, 550, 800]] = True
    reading = np.round(40.0 * np.cos(np.radians(angle_deg - 102.0)))
    turns = find_turns(clean(Trace(time_s=time_s, reading_um=reading, mark=mark, resolution_um=1.0)))
    off = turns.angle_deg - angle_deg
    assert np.ptp(off) < 8.0
    assert np.std(off) < 2.5


def test_two_turns_with_order_20_alone_may_be_40_even_ones() -> None:
    """Forty even turns were stated outright as 1.9, and their surface came to a millimetre."""
    rng = np.random.default_rng(1)
    time_s = np.linspace(0.0, 297.0, 30_000)
    angle = 2 * np.pi * 40 * (time_s / 297 + 0.002 * np.sin(22 * time_s / 297))
    reading = np.round(20 * np.cos(angle) + 7 * np.cos(2 * angle + 1) + rng.normal(0, 0.4, time_s.size))
    turns = find_turns(clean(Trace(time_s, reading, resolution_um=1.0)))
    assert turns.confidence < 0.8
    assert max(turns.alternatives) > 30.0
