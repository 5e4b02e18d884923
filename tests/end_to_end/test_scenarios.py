"""The demo's wheel ends, judged as the demo judges them: each verdict as the scenario demands.

The same over fifty seeds is `python -m tests.bench.scenarios`.
"""

from __future__ import annotations

import pytest

from simulators.scenarios import scenario_named, scenario_names
from tests.bench.scenarios import measured

ONE_STEP_UM = 1.0
TRUSTED = [name for name in scenario_names() if name != "loose-holder"]


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("name", TRUSTED)
def test_the_figures_lie_within_one_step_of_the_truth_and_the_verdict_is_right(name: str, seed: int) -> None:
    found = measured(name, seed)
    expects = scenario_named(name).expects
    assert found.steady
    assert found.runout_off_um is not None
    assert abs(found.runout_off_um) <= ONE_STEP_UM
    assert found.endplay_off_um is not None
    assert abs(found.endplay_off_um) <= ONE_STEP_UM
    assert (found.runout.verdict, found.endplay.verdict) == (expects.runout, expects.endplay)
    assert set(found.blamed) == ({expects.points_to} - {"none"})


def test_a_loose_holder_is_seen_at_rest_and_takes_both_verdicts_away() -> None:
    found = measured("loose-holder", 0)
    assert not found.steady
    assert (found.runout.verdict, found.endplay.verdict) == ("not measurable", "not measurable")
    assert set(found.blamed) == {"holder"}


@pytest.mark.parametrize("name", ["sound-hub", "bent-flange", "warped-flange"])
def test_the_turns_are_found_without_any_tap(name: str) -> None:
    found = measured(name, 2, tapped=False)
    assert found.runout.turns.found_by == "self"
    assert found.turns_off is not None
    assert abs(found.turns_off) <= 0.25
    assert found.runout_off_um is not None
    assert abs(found.runout_off_um) <= ONE_STEP_UM
