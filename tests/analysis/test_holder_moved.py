"""A holder that moved takes the verdict away, whatever the figure says."""

from __future__ import annotations

import math

import pytest

from analysis.judge import Judgement, unless_holder_moved
from analysis.measure import measure_endplay, measure_runout
from analysis.values import Setup
from config.limits import parse_limit
from simulators.hand import Strokes, Turn
from simulators.recording import record
from tests.recordings import trace_of


@pytest.mark.parametrize("moved", [None, False])
def test_a_holder_that_stood_still_or_was_not_checked_changes_nothing(moved: bool | None) -> None:
    judgement = Judgement("over", 0.01, ())
    assert unless_holder_moved(judgement, moved) is judgement


def test_run_out_with_a_loose_holder_is_not_judged_and_the_holder_is_blamed() -> None:
    trace = trace_of(record("bent-flange", Turn(3.3), 3))
    limit = parse_limit("0.002 in", "runout")
    assert measure_runout(trace, limit=limit, setup=Setup(asked_turns=3)).verdict == "over"
    result = measure_runout(trace, limit=limit, setup=Setup(asked_turns=3, holder_moved=True))
    assert result.verdict == "not measurable"
    assert result.conformity_probability is None
    assert "holder_moved" in [reason.code for reason in result.reasons]
    assert {each.part for each in result.points_to} == {"holder"}


def test_end_play_with_a_loose_holder_is_not_judged_but_its_figure_is_kept() -> None:
    recording = record("worn-bearing", Strokes(3), 1)
    limit = parse_limit("0.005 in", "endplay")
    result = measure_endplay(trace_of(recording), limit=limit, setup=Setup(holder_moved=True))
    assert result.verdict == "not measurable"
    assert {each.part for each in result.points_to} == {"holder"}
    assert result.play_mm is not None
    assert math.isclose(result.play_mm * 1000, recording.truth.strokes.play_um, abs_tol=1.0)
