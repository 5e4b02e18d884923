"""What the technician sees: what to do next, the verdict as a word, and nothing wider than 80 columns."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from analysis.results import (
    Counts,
    EndplayResult,
    FimOut,
    LimitOut,
    PointsTo,
    Reason,
    RestResult,
    RunoutResult,
    StrokeOut,
    TurnsOut,
    UncertaintyOut,
)
from capture.commands.measure import exit_status
from capture.messages import IndicatorState, Readings, RunProgress
from capture.terminal import CAUTIONS, RunView, show_cautions, show_length_nm, show_result

LONG = "a sentence that goes on and on about what was seen and what that means for the part " * 2


def console(terminal: bool) -> tuple[Console, io.StringIO]:
    text = io.StringIO()
    return Console(file=text, width=80, force_terminal=terminal, color_system=None), text


def runout(verdict: str | None = "over") -> RunoutResult:
    return RunoutResult(
        readings=Counts(used=500, rejected=2),
        resolution_mm=0.001,
        uncertainty_mm=UncertaintyOut(standard=0.001, coverage_factor=2, expanded=0.002, budget=()),
        limit_mm=LimitOut(max=0.0508, source="common practice"),
        verdict=verdict,
        points_to=(PointsTo(part="flange", why=LONG),),
        reasons=(Reason(code="some_code", text=LONG),),
        turns=TurnsOut(
            total=3.2, complete=3, found_by="marks", starts_s=(0, 1, 2, 3), confidence=1, alternatives=()
        ),
        fim_mm=FimOut(as_read=0.061, per_turn=(0.06, 0.061, 0.06), repeatable=0.058),
        non_repeatable_mm=0.004,
        per_turn_orders=(),
        high_spot_deg=118.0,
        drift_mm=0.0,
        noise_mm=0.0,
    )


def progress(**changes: object) -> RunProgress:
    told = {
        "run": "r",
        "kind": "runout",
        "indicator": "bench",
        "state": "moving",
        "say": "Keep turning: 1.2 of 3 turns seen.",
        "seen": 1.2,
        "asked": 3,
        "warnings": ("The step of 0.01 mm is coarse.",),
    }
    return RunProgress.model_validate({**told, **changes})


STATE = IndicatorState(indicator="bench", state="live", resolution_nm=1_000, simulated=True)
READINGS = Readings(indicator="bench", run="r", t_ns=[1, 2], length_nm=[-5_000, 31_000], unit="mm")


@pytest.mark.parametrize(
    ("length_nm", "unit", "step_nm", "shown"),
    [(31_000, "mm", 1_000, "+0.031 mm"), (-12_700, "in", 12_700, "-0.0005 in"), (0, "mm", 500, "+0.0000 mm")],
)
def test_a_reading_is_shown_with_its_sign_and_its_digits(
    length_nm: int, unit: str, step_nm: int, shown: str
) -> None:
    assert show_length_nm(length_nm, unit, step_nm) == shown


def test_the_block_on_a_terminal_tells_all_that_is_needed() -> None:
    screen, text = console(terminal=True)
    view = RunView(screen, "runout", keys=True)
    view.indicator(STATE)
    view.readings(READINGS)
    view.progress(progress(marks=2))
    screen.print(view.block())
    shown = text.getvalue()
    for words in (
        "Run-out",
        "bench (simulated): live",
        "+0.031 mm",
        "moved 0.036 mm so far",
        "Keep turning: 1.2 of 3 turns seen.",
        "1.2 of 3 turns, 2 marks",
        "! The step of 0.01 mm is coarse.",
        "space or enter: index mark",
    ):
        assert words in shown
    assert max(map(len, shown.splitlines())) <= 80


def test_without_a_terminal_each_change_is_a_line_and_said_once() -> None:
    pipe, text = console(terminal=False)
    with RunView(pipe, "runout") as view:
        view.indicator(STATE)
        for _ in range(5):
            view.readings(READINGS)
            view.progress(progress())
        view.indicator(STATE.model_copy(update={"state": "lost", "why": "unplugged"}))
    assert text.getvalue().splitlines() == [
        "bench is live",
        "Warning: The step of 0.01 mm is coarse.",
        "Keep turning: 1.2 of 3 turns seen.",
        "bench is lost: unplugged",
    ]


@pytest.mark.parametrize("terminal", [True, False])
def test_the_verdict_comes_first_as_a_word_with_the_part_and_why(terminal: bool) -> None:
    out, text = console(terminal)
    show_result(out, runout(), "the-run")
    lines = text.getvalue().splitlines()
    assert lines[0] == "Run-out: OVER"
    shown = " ".join(text.getvalue().split())
    for words in ("0.0610 mm", "± 0.0020 mm", "0.0508 mm", "points to: flange", "high spot 118°", "the-run"):
        assert words in shown
    if terminal:
        assert max(map(len, lines)) <= 80


def test_end_play_and_rest_are_shown() -> None:
    out, text = console(terminal=False)
    stroke = StrokeOut(pushed_mm=0.0, pulled_mm=0.03, play_mm=0.03)
    show_result(
        out,
        EndplayResult(
            readings=Counts(used=1, rejected=0),
            resolution_mm=None,
            uncertainty_mm=None,
            limit_mm=LimitOut(good_up_to=0.0762, bad_above=0.127, source="common practice"),
            verdict="within",
            reasons=(),
            strokes=(stroke, stroke),
            play_mm=0.03,
            repeatability_mm=None,
            zero_return_mm=None,
            creep_mm=None,
            noise_mm=None,
        ),
        "r",
    )
    show_result(out, rest(None), "r")
    shown = text.getvalue()
    assert "End play: WITHIN" in shown
    assert "0.0300, 0.0300" in shown
    assert "Rest check: NOT MEASURABLE" in shown


def rest(steady: bool | None) -> RestResult:
    return RestResult(
        steady=steady,
        holder_moved=None,
        duration_s=0.0,
        noise_mm=None,
        drift_mm_per_min=None,
        slip_mm=None,
        readings=Counts(used=0, rejected=0),
        resolution_mm=None,
        reasons=(),
    )


def test_cautions_come_before_a_hand_goes_to_the_hub() -> None:
    out, text = console(terminal=False)
    show_cautions(out, "endplay")
    for words in ("stands", "wire", "pinch points", "vehicle maker's procedure", "torque"):
        assert words in text.getvalue()
    assert len(CAUTIONS) == 4


@pytest.mark.parametrize(
    ("verdict", "status"),
    [("within", 0), (None, 0), ("over", 1), ("undecided", 3), ("not measurable", 4)],
)
def test_the_exit_status_tells_the_verdict(verdict: str | None, status: int) -> None:
    assert exit_status(runout(verdict)) == status


@pytest.mark.parametrize(("steady", "status"), [(True, 0), (False, 1), (None, 4)])
def test_the_exit_status_tells_a_rest_check(steady: bool | None, status: int) -> None:
    assert exit_status(rest(steady)) == status
