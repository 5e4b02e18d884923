"""The whole way from a trace to a judged result."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import jsonschema
import numpy as np
import pytest

from analysis.measure import measure_endplay, measure_runout
from analysis.results import EndplayResult, Judged, RunoutResult
from analysis.schemas import result_schema
from analysis.trace import Trace
from analysis.values import Setup
from config.errors import InputError
from config.limits import Limit
from config.settings import default_limit, load_limits
from simulators.hand import Strokes, Turn
from simulators.recording import record
from tests.recordings import trace_of

LIMITS = load_limits()
RUNOUT, ENDPLAY = default_limit("runout", LIMITS), default_limit("endplay", LIMITS)
SETUP = Setup(permissible_error_um=3.0, permissible_local_error_um=1.0, studs=5)


def turned(*, seconds: float = 20.0, turn_s: float = 5.0, amplitude_um: float = 20.0) -> Trace:
    """A face with orders 1 and 2, turned evenly with a known angle, 1 um steps."""
    time_s = np.arange(0.0, seconds, 0.04)
    angle = 360.0 * time_s / turn_s
    reading = amplitude_um * np.cos(np.deg2rad(angle - 112.0)) + 4.0 * np.cos(np.deg2rad(2 * angle - 62.0))
    reading += 0.4 * np.random.default_rng(8).standard_normal(time_s.size)
    return Trace(time_s, np.round(reading), angle_deg=angle, resolution_um=1.0)


def true_fim_um(amplitude_um: float = 20.0) -> float:
    angle = np.deg2rad(np.arange(0.0, 360.0, 0.01))
    surface = amplitude_um * np.cos(angle - math.radians(112.0)) + 4.0 * np.cos(
        2 * angle - math.radians(62.0)
    )
    return float(np.ptp(surface))


def pushed(levels: list[float]) -> Trace:
    reading = np.repeat(levels, 25).astype(np.float64)
    return Trace(np.arange(reading.size) * 0.04, reading, resolution_um=1.0)


def codes(result: Judged) -> list[str]:
    return [reason.code for reason in result.reasons]


def every_result() -> list[Judged]:
    endless = [measure_endplay(pushed(levels), limit=ENDPLAY, setup=SETUP) for levels in ([0, 60] * 3, [5])]
    return [
        measure_runout(turned(), limit=RUNOUT, setup=SETUP, file="turned.csv"),
        measure_runout(turned(seconds=2.0), limit=RUNOUT),
        measure_runout(turned().where(slice(0, 5)), limit=RUNOUT),
        measure_runout(turned().where(slice(0)), limit=None),
        measure_endplay(pushed([0, 60] * 3).where(slice(0)), limit=ENDPLAY),
        *endless,
    ]


@pytest.mark.parametrize("result", every_result(), ids=range(7))
def test_every_result_keeps_to_its_schema_and_says_why_a_figure_is_missing(result: Judged) -> None:
    told = json.loads(result.model_dump_json())
    kind = told["kind"]
    jsonschema.validate(told, result_schema(kind))
    assert type(result).model_validate(told) == result
    main = told["play_mm"] if kind == "endplay" else told["fim_mm"]["repeatable"]
    if main is None:
        assert told["verdict"] in ("not measurable", None)
        assert told["reasons"]
    assert told["verdict"] is not None or told["limit_mm"] is None


def test_run_out_of_a_known_surface() -> None:
    result = measure_runout(turned(), limit=RUNOUT, setup=SETUP, file="turned.csv")
    assert (result.kind, result.file, result.turns.found_by) == ("runout", "turned.csv", "angle")
    assert result.turns.complete in (3, 4)
    assert result.fim_mm.repeatable == pytest.approx(true_fim_um() / 1000.0, abs=0.0005)
    first = result.per_turn_orders[0]
    assert (first.order, first.amplitude_mm) == (1, pytest.approx(0.020, abs=0.0002))
    assert first.peak_deg == pytest.approx(112.0, abs=1.0)
    assert (result.verdict, result.points_to) == ("within", ())
    assert result.uncertainty_mm is not None
    sources = " ".join(line.source for line in result.uncertainty_mm.budget)
    for source in ("permissible error", "plunger angle", "resolution"):
        assert source in sources
    squares = math.fsum(line.standard**2 for line in result.uncertainty_mm.budget)
    assert result.uncertainty_mm.standard == pytest.approx(math.sqrt(squares), abs=1e-8)


def test_run_out_over_names_the_flange() -> None:
    result = measure_runout(turned(amplitude_um=40.0), limit=RUNOUT, setup=SETUP)
    assert result.verdict == "over"
    assert [each.part for each in result.points_to] == ["flange"]
    assert result.conformity_probability == pytest.approx(0.0, abs=1e-6)


def test_less_than_a_turn_is_not_measurable_and_null_not_zero() -> None:
    result = measure_runout(turned(seconds=2.0), limit=RUNOUT)
    assert result.verdict == "not measurable"
    assert (result.fim_mm.repeatable, result.non_repeatable_mm, result.high_spot_deg) == (None, None, None)
    assert result.fim_mm.per_turn == ()
    assert "no_whole_turn" in codes(result)


def test_no_limit_no_verdict() -> None:
    result = measure_runout(turned())
    assert (result.verdict, result.limit_mm, result.conformity_probability) == (None, None, None)
    assert "no_limit" in codes(result)


def test_an_unknown_permissible_error_is_said_once() -> None:
    assert codes(measure_runout(turned())).count("permissible_error_unknown") == 1
    assert "permissible_error_unknown" not in codes(measure_runout(turned(), setup=SETUP))


@pytest.mark.parametrize("kind", ["runout", "endplay"])
def test_a_plunger_known_to_stand_askew_is_put_right_and_said(kind: str) -> None:
    askew = Setup(plunger_angle_deg=20.0)
    result: Any
    if kind == "runout":
        result = measure_runout(turned(), setup=askew)
        figure, straight = result.fim_mm.repeatable, true_fim_um() / 1000.0
    else:
        result = measure_endplay(pushed([0, 60] * 3), setup=askew)
        figure, straight = result.play_mm, 0.060
    assert figure == pytest.approx(straight * math.cos(math.radians(20.0)), abs=0.0005)
    assert "plunger_angle" in codes(result)


@pytest.mark.parametrize(
    ("second", "text"),
    [
        ("mirror", "expected reference, pilot or face:90"),
        ("face:", "names no angle"),
        ("face:0", "not an angle"),
        ("face:400", "not an angle"),
        ("reference", "holds no second indicator"),
        ("face:90", "holds no second indicator"),
    ],
)
def test_a_second_indicator_that_cannot_be_is_refused_in_one_line(second: str, text: str) -> None:
    with pytest.raises(InputError, match=text):
        measure_runout(turned(), second=second)


def test_end_play_of_known_levels() -> None:
    result = measure_endplay(pushed([0, 60] * 3), limit=ENDPLAY, setup=SETUP)
    assert [(s.pushed_mm, s.pulled_mm, s.play_mm) for s in result.strokes] == [(0.0, 0.06, 0.06)] * 3
    assert (result.play_mm, result.repeatability_mm) == (pytest.approx(0.06), pytest.approx(0.0, abs=1e-12))
    assert result.verdict == "within"
    assert result.limit_mm is not None
    assert (result.limit_mm.good_up_to, result.limit_mm.bad_above) == (0.0762, 0.127)


@pytest.mark.parametrize(
    ("pulled_um", "verdict", "part"),
    [(60, "within", None), (100, "undecided", None), (160, "over", "bearing")],
)
def test_end_play_verdicts_of_the_shipped_limits(pulled_um: int, verdict: str, part: str | None) -> None:
    result = measure_endplay(pushed([0, pulled_um] * 3), limit=ENDPLAY, setup=SETUP)
    assert result.verdict == verdict
    assert [each.part for each in result.points_to] == ([part] if part else [])
    assert ("maker_decides" in codes(result)) == (verdict == "undecided")


def test_over_right_after_fitting_names_the_nut_too() -> None:
    fresh = replace(SETUP, freshly_fitted=True)
    result = measure_endplay(pushed([0, 160] * 3), limit=ENDPLAY, setup=fresh)
    assert [each.part for each in result.points_to] == ["bearing", "hub nut"]


def test_a_coarse_step_leaves_a_close_case_undecided_and_says_why() -> None:
    limit = Limit(name="any", quantity="endplay", source="a test", max_nm=76_200)
    reading = np.repeat([0.0, 63.5] * 3, 25)
    coarse = Trace(np.arange(reading.size) * 0.04, reading, resolution_um=12.7, unit="in")
    result = measure_endplay(coarse, limit=limit, setup=replace(SETUP, permissible_local_error_um=12.7))
    assert result.verdict == "undecided"
    assert {"uncertainty_spans_limit", "resolution_coarse"} <= set(codes(result))


def test_without_motion_end_play_is_not_measurable() -> None:
    result = measure_endplay(pushed([5, 5, 5]), limit=ENDPLAY)
    assert (result.verdict, result.play_mm, result.strokes) == ("not measurable", None, ())
    assert "no_motion" in codes(result)


def test_readings_that_were_flagged_are_counted_and_said() -> None:
    trace = pushed([0, 60] * 3)
    flag = np.where(np.arange(len(trace)) == 10, "battery low", "")
    result = measure_endplay(replace(trace, flag=flag))
    assert (result.readings.used, result.readings.rejected) == (len(trace) - 1, 1)
    assert "flagged_readings" in codes(result)


@pytest.mark.parametrize(
    ("scenario", "runout", "endplay"),
    [
        ("sound-hub", "within", "within"),
        ("bent-flange", "over", "within"),
        ("worn-bearing", "within", "over"),
        ("warped-flange", "over", "within"),
    ],
)
def test_scenarios_of_the_simulator(scenario: str, runout: str, endplay: str) -> None:
    """Verdicts that the scenario demands, and figures within one step of the truth."""
    seed = 2
    turning = record(scenario, Turn(3.3), seed)
    result = measure_runout(trace_of(turning), limit=RUNOUT, setup=replace(SETUP, asked_turns=3.0))
    assert isinstance(result, RunoutResult)
    assert result.verdict == runout
    assert result.fim_mm.repeatable == pytest.approx(turning.truth.turn.repeatable_um / 1000, abs=0.001)
    pushing = record(scenario, Strokes(3), seed)
    play = measure_endplay(trace_of(pushing), limit=ENDPLAY, setup=SETUP)
    assert isinstance(play, EndplayResult)
    assert play.verdict == endplay
    assert play.play_mm == pytest.approx(pushing.truth.strokes.play_um / 1000, abs=0.001)


@pytest.mark.parametrize("step", ["analysis.measure.find_turns", "analysis.runout.fit_surface"])
def test_equations_that_rounding_has_spoilt_are_not_measurable(
    step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two million readings over hours ended in an error of the linear algebra."""

    def spoilt(*_: object, **__: object) -> None:
        np.linalg.cholesky(-np.eye(2))

    monkeypatch.setattr(step, spoilt)
    result = measure_runout(turned(), limit=default_limit("runout", load_limits()))
    assert result.verdict == "not measurable"
    assert "fit_diverged" in codes(result)
    assert result.fim_mm.repeatable is None
    assert result.run_out_bound_mm is None
