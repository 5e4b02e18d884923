"""The verdict; published probabilities are in tests/reference."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from analysis.judge import coarse_for, conformity_probability, judge
from analysis.uncertainty import combine
from analysis.values import Component
from config.limits import Limit

ONE = Limit(name="one", quantity="runout", source="a test", max_nm=50_800)
PAIR = Limit(name="pair", quantity="endplay", source="a test", good_up_to_nm=76_200, bad_above_nm=127_000)
LENGTH = st.floats(min_value=0.0, max_value=300.0)
SPREAD = st.floats(min_value=0.0, max_value=60.0)


def known(standard_um: float, freedom: float = math.inf) -> Component:
    return Component("as stated", standard_um, "A", freedom)


@given(LENGTH, SPREAD, st.sampled_from([ONE, PAIR]))
def test_the_rule_word_for_word(value: float, spread: float, limit: Limit) -> None:
    found = combine([known(spread, 5.0)])
    low, high = value - found.expanded_um, value + found.expanded_um
    verdict = judge(value, found, limit).verdict
    assert (verdict == "within") == (high <= limit.accept_nm / 1000)
    assert (verdict == "over") == (low > limit.reject_nm / 1000)


@given(LENGTH, SPREAD, st.sampled_from([ONE, PAIR]))
def test_undecided_always_says_why_and_nothing_else_does(value: float, spread: float, limit: Limit) -> None:
    judged = judge(value, combine([known(spread)]), limit)
    assert (judged.verdict == "undecided") == bool(judged.notes)
    assert all(note.text.endswith(".") for note in judged.notes)


def test_between_good_and_bad_the_maker_decides() -> None:
    judged = judge(100.0, combine([known(1.0)]), PAIR)
    assert judged.verdict == "undecided"
    assert [note.code for note in judged.notes] == ["maker_decides"]
    assert "0.1 mm lies between 0.0762 mm (good) and 0.127 mm (bad)" in judged.notes[0].text


def test_across_one_end_of_the_pair_both_reasons_are_given() -> None:
    judged = judge(76.0, combine([known(1.0)]), PAIR)
    assert [note.code for note in judged.notes] == ["maker_decides", "uncertainty_spans_limit"]


def test_just_over_the_limit_is_not_yet_over() -> None:
    judged = judge(51.0, combine([known(0.5)]), ONE)
    assert judged.verdict == "undecided"
    assert [note.code for note in judged.notes] == ["uncertainty_spans_limit"]
    assert "0.0508 mm" in judged.notes[0].text


def test_without_a_limit_there_is_no_verdict() -> None:
    judged = judge(51.0, combine([known(0.5)]), None)
    assert (judged.verdict, judged.conformity_probability) == (None, None)
    assert [note.code for note in judged.notes] == ["no_limit"]


@given(LENGTH, st.floats(min_value=0.01, max_value=60.0), st.floats(min_value=1.0, max_value=50.0))
def test_probability_agrees_with_the_verdict(value: float, spread: float, freedom: float) -> None:
    """`within` is proved at 97.5 % and more, `over` at 2.5 % and less: the same interval, the same t."""
    found = combine([known(spread, freedom)])
    judged = judge(value, found, ONE)
    chance = judged.conformity_probability
    assert chance is not None
    assert (judged.verdict == "within") == (chance >= 0.975 - 1e-9) or math.isclose(chance, 0.975)
    assert (judged.verdict == "over") == (chance < 0.025 + 1e-9) or math.isclose(chance, 0.025)


def test_an_exact_figure_conforms_or_does_not() -> None:
    exact = combine(())
    assert conformity_probability(50.8, exact, 50.8) == 1.0
    assert conformity_probability(50.9, exact, 50.8) == 0.0


def test_a_step_above_a_tenth_of_the_limit_is_coarse() -> None:
    assert coarse_for(5.0, ONE) is None
    note = coarse_for(12.7, ONE)
    assert note is not None
    assert note.code == "resolution_coarse"
