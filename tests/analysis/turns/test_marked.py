"""Index marks alone, before the trace is asked."""

from __future__ import annotations

import numpy as np

from analysis.turns.marked import guesses, passings

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
