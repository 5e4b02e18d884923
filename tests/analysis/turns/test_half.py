"""Half as many turns, or twice as many: simulated hubs that were once counted so, outright."""

from __future__ import annotations

import pytest

from analysis.cleaning import clean
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
