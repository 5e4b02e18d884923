"""A hub that was not turned once round must never be said to have made whole turns."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.measure import measure_runout
from analysis.trace import Trace
from analysis.values import Setup
from config.limits import parse_limit


def arc(turned: float, seed: int, *, begins: float, second_um: float = 6.0) -> Trace:
    """Part of one smooth turn: order 1 of 55 um and some order 2, read 50 times a second in 1 um steps."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 4.0 + 2.0 * rng.random(), 0.02)
    share = np.linspace(0.0, 1.0, time_s.size)
    uneven = share + 0.04 * np.sin(2.0 * np.pi * (share + rng.random()))
    angle = 2.0 * np.pi * (begins + turned * (uneven - uneven[0]) / (uneven[-1] - uneven[0]))
    surface = 55.0 * np.cos(angle) + second_um * np.cos(2.0 * angle + rng.uniform(0.0, 6.0))
    return Trace(time_s, np.rint(surface + rng.normal(0.0, 0.3, time_s.size)), resolution_um=1.0)


@pytest.mark.parametrize("turned", [0.3, 0.5, 0.7, 0.85])
@pytest.mark.parametrize("seed", range(3))
def test_part_of_a_turn_is_never_surely_whole_turns(turned: float, seed: int) -> None:
    trace = arc(turned, seed, begins=0.27 * seed + 0.05)
    result = measure_runout(trace, limit=parse_limit("0.002 in", "runout"), setup=Setup(asked_turns=3))
    surely_wrong = result.turns.confidence >= 0.8 and (result.turns.total or 0.0) >= 1.1
    assert not surely_wrong, (result.turns.total, result.turns.confidence)
    assert result.verdict in ("not measurable", "undecided", "over")
