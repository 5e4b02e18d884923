"""Over a limit with the count of turns in doubt: only where every count that is allowed agrees."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.cleaning import clean
from analysis.measure import measure_runout
from analysis.runout import Runout
from analysis.runout_verdict import judge_runout
from analysis.trace import Trace
from analysis.values import Setup, Turns
from config.limits import parse_limit

LIMIT = parse_limit("50 um", "runout")


@pytest.mark.parametrize(
    ("judged_um", "others", "verdict"),
    [
        (100.0, (1.7,), "over"),  # longer turns move no less
        (100.0, (3.6, 1.7), "over"),  # a little shorter: 90 um at the least
        (100.0, (6.8,), "undecided"),  # half the turn: nothing is known of its movement
        (53.0, (3.6,), "undecided"),  # 47.7 um at the least is not over 50
        (53.0, (), "undecided"),  # unsure, and no rival that could be looked at
    ],
)
def test_over_stands_only_when_no_allowed_turn_could_be_within(
    judged_um: float, others: tuple[float, ...], verdict: str
) -> None:
    time_s = np.arange(0.0, 17.0, 0.05)
    cleaned = clean(Trace(time_s, np.rint(judged_um / 2 * np.cos(2 * np.pi * time_s / 5)), resolution_um=1.0))
    turns = Turns(3.4, 3, "self", np.array([0.0, 5.0, 10.0, 15.0]), 0.5, others, at_least_once=True)
    runout = Runout(as_read_um=judged_um, judged_um=judged_um, bound_um=judged_um)
    assert judge_runout(runout, turns, cleaned, LIMIT, Setup()).judgement.verdict == verdict


@pytest.mark.parametrize(
    ("apart_s", "step_um", "verdict"),
    [
        (0.2, 1.0, "not measurable"),  # nobody turns a hub in that time
        (4.0, 1.0, "undecided"),  # a real flange moves a fine indicator
        (4.0, 10.0, "within"),  # a coarse one does not see what it moves
    ],
)
def test_a_hub_that_stands_still_is_not_within_whatever_is_tapped(
    apart_s: float, step_um: float, verdict: str
) -> None:
    time_s = np.arange(0.0, 1.0 + 2 * apart_s + 0.4, 0.04)
    mark = np.zeros(time_s.size, dtype=bool)
    mark[np.searchsorted(time_s, [0.7, 0.7 + apart_s])] = True
    trace = Trace(time_s, np.zeros(time_s.size), mark=mark, resolution_um=step_um)
    result = measure_runout(trace, limit=LIMIT, setup=Setup(permissible_error_um=3.0))
    assert result.verdict == verdict
    assert "flat" in {reason.code for reason in result.reasons}
