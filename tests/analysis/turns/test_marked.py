"""Index marks alone, before the trace is asked."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.cleaning import clean
from analysis.measure import measure_runout
from analysis.trace import Trace
from analysis.turns import find_turns
from analysis.turns.marked import guesses, nearest, passings, tapped_s
from analysis.values import Setup
from config.indicators import indicator_named, load_indicators
from config.limits import parse_limit
from simulators.hand import Turn
from simulators.recording import Marks, record
from tests.recordings import trace_of

TIME_S = np.linspace(0.0, 20.0, 401)


def test_a_passing_tapped_twice_counts_once() -> None:
    taps = np.array([3.0, 3.15, 8.0, 13.2, 13.4, 18.0])
    np.testing.assert_allclose(passings(taps), [3.0, 8.0, 13.2, 18.0])


def test_even_taps_give_an_even_turning_beyond_both_ends() -> None:
    (only,) = guesses(TIME_S, np.array([2.5, 7.5, 12.5, 17.5]))
    np.testing.assert_allclose(only, TIME_S / 5.0, atol=1e-12)


def test_a_missed_tap_gives_a_second_idea_with_the_turn_it_hides() -> None:
    plain, filled = guesses(TIME_S, np.array([2.0, 6.0, 10.0, 18.0]))
    assert plain[-1] == 0.5 + 3 + 2.0 / 8.0
    assert filled[-1] == 0.5 + 4 + 2.0 / 4.0


def test_one_tap_says_nothing() -> None:
    assert guesses(TIME_S, np.array([4.0])) == []


@pytest.mark.parametrize("swing_um", [0.0, 1.0])
def test_a_foot_switch_tapped_at_a_hub_that_stands_still_makes_no_turns(swing_um: float) -> None:
    """Taps faster than a hand turns, on readings that say nothing: not measurable, never within."""
    time_s = np.arange(0.0, 3.0, 0.02)
    reading_um = swing_um * np.random.default_rng(0).integers(0, 2, time_s.size)
    mark = np.zeros(time_s.size, dtype=np.bool_)
    mark[[20, 35, 50]] = True
    limit = parse_limit("0.05 mm", "runout")
    result = measure_runout(Trace(time_s, reading_um, mark=mark, resolution_um=1.0), limit=limit)
    assert (result.verdict, result.turns.complete) == ("not measurable", 0)


def test_readings_that_are_all_the_same_are_a_run_out_below_the_step() -> None:
    time_s = np.arange(0.0, 12.0, 0.05)
    mark = np.isin(np.arange(time_s.size), [0, 80, 160, 239])
    result = measure_runout(Trace(time_s, np.zeros(time_s.size), mark=mark, resolution_um=1.0))
    assert result.turns.complete >= 2
    assert max(result.fim_mm.per_turn) < 0.001


@pytest.mark.parametrize(("seed", "until_s"), [(3, 8.9), (6, 9.6)])
def test_more_turns_than_two_taps_show_are_not_stated_outright(seed: int, until_s: float) -> None:
    """Two turns between two taps are one missed tap, or one turn: two were once stated, and wrong."""
    recording = record(
        "sound-hub",
        Turn(3.4, "gentle", turn_s=4.2),
        seed,
        indicator=indicator_named("bench", load_indicators()),
        marks=Marks(jitter_s=0.06, missed=0.0, doubled=0.0),
    )
    whole = trace_of(recording)
    assert whole.mark is not None
    seen = whole.time_s - whole.time_s[0] < until_s
    begun = Trace(
        time_s=whole.time_s[seen], reading_um=whole.reading_um[seen], mark=whole.mark[seen], resolution_um=1.0
    )
    assert begun.mark is not None
    assert begun.mark.sum() == 2
    turns = find_turns(clean(begun), Setup(asked_turns=3.0))
    turned = float(np.ptp(np.asarray(recording.truth.angle_deg)[seen])) / 360.0
    assert turns.total is not None
    if turns.confidence >= 0.8:
        assert turns.total == pytest.approx(turned, abs=0.1)
    else:
        assert min(abs(count - turned) for count in (turns.total, *turns.alternatives)) < 0.25


def test_a_tap_is_dated_between_the_reading_that_has_it_and_the_one_before() -> None:
    """Whether nearest or first after: within a quarter of a reading of either; not across a gap."""
    time_s = np.array([0.0, 0.1, 0.2, 0.3, 2.3, 2.4])
    mark = np.array([False, True, False, False, True, False])
    assert tapped_s(time_s, mark) == pytest.approx([0.075, 2.275])


def test_the_reading_nearest_to_a_tap() -> None:
    """The first after it made the angle late, by half the spacing of the points that are fitted."""
    assert nearest(np.array([0.0, 1.0, 2.0]), np.array([-1.0, 0.4, 0.6, 1.4, 9.0])).tolist() == [
        0,
        0,
        1,
        1,
        2,
    ]
