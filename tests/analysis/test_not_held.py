"""A hub that was turned, given as pushed and pulled, gets no end play."""

from __future__ import annotations

import pytest

from analysis.measure import measure_endplay
from analysis.values import Setup
from config.limits import parse_limit
from simulators.hand import Strokes, Turn
from simulators.recording import record
from simulators.scenarios import build
from tests.analysis.strokes import push_and_pull
from tests.recordings import trace_of

LIMIT = parse_limit("0.005 in", "endplay")


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", ["sound-hub", "bent-flange", "warped-flange", "worn-bearing"])
def test_a_turned_hub_is_not_judged_as_end_play(name: str, seed: int) -> None:
    result = measure_endplay(trace_of(record(name, Turn(3.4), seed)), limit=LIMIT, setup=Setup())
    assert result.verdict == "not measurable"
    assert result.play_mm is None
    assert {reason.code for reason in result.reasons} & {"not_held", "levels_disagree", "one_level"}


@pytest.mark.parametrize("seed", range(4))
def test_short_holds_read_eight_times_a_second_are_still_strokes(seed: int) -> None:
    stands = build("sound-hub", seed)
    slow = stands.gauge.__class__(rate_hz=8.0, noise_um=0.2)
    recording = record(stands, Strokes(3, hold_s=(0.5, 0.7)), seed, gauge=slow)
    result = measure_endplay(trace_of(recording), limit=LIMIT, setup=Setup())
    assert result.verdict == "within"
    assert "not_held" not in {reason.code for reason in result.reasons}


@pytest.mark.parametrize("step_um", [1.0, 10.0, 12.7])
def test_strokes_of_another_generator_are_never_taken_for_turning(step_um: float) -> None:
    for seed in range(20):
        result = measure_endplay(push_and_pull(seed, step_um).trace, limit=LIMIT, setup=Setup())
        assert "not_held" not in {reason.code for reason in result.reasons}
