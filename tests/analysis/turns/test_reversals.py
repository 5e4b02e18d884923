"""The bound on whole turns against waves whose turning points are known."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.turns.reversals import most_whole_turns, reversals

SHARE = np.linspace(0.0, 1.0, 600)


@pytest.mark.parametrize(("turns", "back"), [(0.4, 0), (0.9, 1), (1.4, 2), (3.3, 6), (5.2, 10)])
def test_a_cosine_turns_back_twice_a_turn(turns: float, back: int) -> None:
    wave = 30.0 * np.cos(2.0 * np.pi * turns * SHARE)
    assert reversals(wave, 0.3, 1.0) == back
    assert most_whole_turns(back) >= int(turns)


def test_noise_and_a_drifting_holder_do_not_count_but_turns_on_top_of_them_do() -> None:
    rng = np.random.default_rng(5)
    drift = 40.0 * SHARE + rng.normal(0.0, 0.3, SHARE.size)
    turning = drift + 12.0 * np.sin(2.0 * np.pi * 3.3 * SHARE)
    assert most_whole_turns(reversals(np.rint(drift), 0.4, 1.0)) == 0
    assert most_whole_turns(reversals(np.rint(turning), 0.4, 1.0)) >= 3
