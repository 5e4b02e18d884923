"""Small changes of level, made up here with a known answer, that only show once the turns are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.cleaning import clean
from analysis.late_steps import late_step, without_late_steps
from analysis.measure import work_out_runout
from analysis.trace import Trace
from analysis.turns import find_turns
from analysis.values import Note
from simulators.accuracy import accuracy_case
from tests.recordings import trace_of


def flange(step_um: float, at: int = 300, *, with_angle: bool = False) -> Trace:
    """560 readings of 4.1 turns, steps of 1 um; the hand is uneven, the holder slips at reading `at`."""
    rng = np.random.default_rng(11)
    time_s = np.arange(560) / 25.0
    part = time_s / time_s[-1]
    angle = 2 * np.pi * 4.1 * (part + 0.015 * np.sin(11 * part))
    exact = 17 * np.cos(angle) + 8 * np.cos(2 * angle + 1) + 2 * np.cos(3 * angle + 2) + 2 * part**2
    exact[at:] += step_um
    read = np.round(exact + rng.normal(0.0, 0.3, time_s.size))
    return Trace(time_s, read, angle_deg=np.rad2deg(angle) if with_angle else None, resolution_um=1.0)


@pytest.mark.parametrize("with_angle", [True, False])
def test_a_slip_that_no_neighbour_shows_is_found_and_taken_off(with_angle: bool) -> None:
    # The clean trace's own run-out is the truth: its largest less its smallest place.
    grid = np.linspace(0, 2 * np.pi, 3601)
    true_um = float(np.ptp(17 * np.cos(grid) + 8 * np.cos(2 * grid + 1) + 2 * np.cos(3 * grid + 2)))
    trace = flange(-5.0, with_angle=with_angle)
    assert not {note.code for note in clean(trace).notes} & {"slip", "rezero"}
    worked = work_out_runout(trace)
    assert worked.cleaned is not None
    assert worked.runout is not None
    taken = worked.cleaned.corrected_um
    assert "slip" in {reason.code for reason in worked.result.reasons}
    assert taken[0] == 0.0
    assert taken[-1] == pytest.approx(-5.0, abs=1.5)
    assert abs(int(np.argmax(taken != 0.0)) - 300) < 12
    assert worked.cleaned.correction_standard_um > 0.0
    assert worked.runout.repeatable_um == pytest.approx(true_um, abs=1.0)


@pytest.mark.parametrize("with_angle", [True, False])
def test_nothing_is_taken_off_a_sound_trace(with_angle: bool) -> None:
    cleaned = clean(flange(0.0, with_angle=with_angle))
    assert late_step(cleaned, find_turns(cleaned)) is None


def test_one_jump_more_than_a_run_may_have_refuses_it() -> None:
    cleaned = clean(flange(-5.0, with_angle=True))
    slipped = replace(cleaned, notes=(*cleaned.notes, *3 * [Note("slip", "Made up.")]))
    refused, _ = without_late_steps(slipped, find_turns(slipped), find_turns)
    assert refused.refused
    assert refused.notes[-1].code == "many_jumps"


@pytest.mark.parametrize("seed", [1, 12, 22])
def test_the_cage_of_a_worn_bearing_is_no_slip_of_the_holder(seed: int) -> None:
    """A holder that held was said to have slipped, and a step taken off that never was."""
    worked = work_out_runout(trace_of(accuracy_case("worn-cage", seed)))
    assert worked.cleaned is not None
    assert not worked.cleaned.corrected_um.any()
    assert "slip" not in {reason.code for reason in worked.result.reasons}
