"""Run-out judged on the safe side where the turns are not sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.runout import Runout
from analysis.runout_verdict import judge_runout
from analysis.trace import Trace
from analysis.values import Cleaned, Component, Setup, Turns
from config.limits import Limit

LIMIT = Limit(name="any", quantity="runout", source="a test", max_nm=50_800)
TIME_S = np.arange(100) * 0.05
CLEANED = Cleaned(
    trace=Trace(TIME_S, np.zeros(100), resolution_um=1.0),
    kept=np.ones(100, dtype=np.bool_),
    notes=(),
    refused=False,
    noise_um=0.4,
    resolution_um=1.0,
    corrected_um=np.zeros(100),
)
THREE = Turns(
    total=3.2,
    complete=3,
    found_by="self",
    starts_s=np.array([0.0, 1.5, 3.0, 4.5]),
    confidence=0.99,
    at_least_once=True,
)
HALVES = replace(THREE, confidence=0.6, alternatives=(1.6,))
DOUBLES = replace(THREE, confidence=0.6, alternatives=(6.4,))
NONE = Turns(total=None, complete=0, found_by="none", starts_s=np.empty(0), confidence=0.0)
ROUND = replace(NONE, at_least_once=True)


def found(judged_um: float | None, bound_um: float | None = None, as_read_um: float = 0.0) -> Runout:
    return Runout(
        as_read_um=as_read_um or judged_um or bound_um,
        judged_um=judged_um,
        bound_um=bound_um,
        components=(Component("readings", 0.5, "A", 20.0),),
    )


def verdict_of(runout: Runout, turns: Turns, cleaned: Cleaned = CLEANED) -> tuple[str | None, list[str]]:
    judged = judge_runout(runout, turns, cleaned, LIMIT, Setup())
    return judged.judgement.verdict, [note.code for note in judged.judgement.notes]


@pytest.mark.parametrize(("judged_um", "verdict"), [(40.0, "within"), (50.5, "undecided"), (60.0, "over")])
def test_sure_turns_are_judged_by_the_rule(judged_um: float, verdict: str) -> None:
    assert verdict_of(found(judged_um), THREE)[0] == verdict


def test_within_needs_the_bound_when_a_turn_may_be_longer() -> None:
    assert verdict_of(found(40.0, as_read_um=42.0), HALVES) == ("within", [])
    assert verdict_of(found(40.0, as_read_um=58.0), HALVES) == ("undecided", ["turns_ambiguous"])
    assert verdict_of(found(40.0, bound_um=58.0), HALVES) == ("undecided", ["turns_ambiguous"])


def test_within_is_not_given_where_the_hub_may_not_have_gone_round() -> None:
    unsure = replace(HALVES, at_least_once=False)
    assert verdict_of(found(40.0, as_read_um=42.0), unsure) == ("undecided", ["turns_ambiguous"])


def test_over_stands_when_no_turn_can_be_shorter_than_the_judged_one() -> None:
    assert verdict_of(found(60.0), HALVES) == ("over", [])
    assert verdict_of(found(60.0), DOUBLES) == ("undecided", ["turns_ambiguous"])
    a_little_more = replace(THREE, confidence=0.6, alternatives=(3.6,))
    assert verdict_of(found(60.0), a_little_more) == ("over", [])  # nine tenths of it are still over
    assert verdict_of(found(54.0), a_little_more) == ("undecided", ["turns_ambiguous"])


def test_low_confidence_without_alternatives_is_ambiguous_too() -> None:
    unsure = replace(THREE, confidence=0.5)
    assert verdict_of(found(60.0), unsure) == ("undecided", ["turns_ambiguous"])
    assert verdict_of(found(40.0, as_read_um=41.0), unsure) == ("within", [])


def test_without_a_whole_turn_a_bound_can_prove_within_and_nothing_else() -> None:
    assert verdict_of(found(None, bound_um=40.0), ROUND) == ("within", ["judged_by_bound"])
    assert verdict_of(found(None, bound_um=60.0), ROUND) == ("not measurable", ["bound_too_wide"])
    assert verdict_of(found(None, bound_um=50.5), ROUND) == ("not measurable", ["bound_too_wide"])


def test_without_turn_and_bound_nothing_is_measured() -> None:
    assert verdict_of(found(None), NONE) == ("not measurable", ["turns_unknown"])
    half = replace(NONE, total=0.48, found_by="self")
    assert verdict_of(found(None), half) == ("not measurable", ["no_whole_turn"])


def test_refused_readings_are_never_judged() -> None:
    refused = replace(CLEANED, refused=True)
    assert verdict_of(found(10.0), THREE, refused) == ("not measurable", ["refused"])


def test_no_limit_no_verdict_whatever_happened() -> None:
    for runout, turns in ((found(40.0), THREE), (found(None), NONE), (found(None, bound_um=40.0), ROUND)):
        assert judge_runout(runout, turns, CLEANED, None, Setup()).judgement.verdict is None


def test_a_coarse_step_is_said_beside_the_verdict() -> None:
    coarse = replace(CLEANED, resolution_um=12.7)
    assert verdict_of(found(20.0), THREE, coarse) == ("within", ["resolution_coarse"])
