"""One trace in, one judged result out: the whole way for run-out and for end play.

Here the parts meet: cleaning, turns or strokes, the figures, the uncertainty, the verdict and the part to
blame. Figures are micrometres until the last step, which writes them in millimetres. A figure that could
not be had is None, with a reason, never 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis import uncertainty
from analysis.cleaning import clean
from analysis.endplay import EndPlay, find_strokes
from analysis.findings import RunoutFigures, endplay_points_to, runout_points_to
from analysis.judge import Judgement, coarse_for, judge, unless_holder_moved
from analysis.late_steps import without_late_steps
from analysis.results import (
    EndplayResult,
    FimOut,
    OrderOut,
    PointsTo,
    RunoutResult,
    StrokeOut,
    TurnsOut,
    Verdict,
)
from analysis.runout import DIVERGED, Runout, take_apart
from analysis.runout_verdict import RunoutJudged, judge_runout
from analysis.second_indicator import same_angle, second_trace, surer, take_off_reference
from analysis.still_cleaning import clean_still
from analysis.tip_runout import clean_tips, take_tips_apart, without_holes
from analysis.told import (
    along_the_axis,
    counts,
    instrument_notes,
    limit_out,
    mm_or_none,
    reasons_out,
    uncertainty_out,
)
from analysis.trace import Trace
from analysis.turns import find_turns
from analysis.values import Cleaned, Note, Setup, Turns, Uncertainty
from config.errors import InputError
from config.lengths import NM_PER_UM, mm_from_um
from config.limits import Limit

FEWEST_READINGS = 8
"""Fewer readings carry neither a turn nor a stroke."""


def measure_runout(
    trace: Trace,
    *,
    limit: Limit | None = None,
    setup: Setup = Setup(),  # noqa: B008 - frozen value
    second: str | None = None,
    file: str | None = None,
) -> RunoutResult:
    """Run-out of one trace, judged.

    Args:
        trace: readings of a hub that was turned.
        limit: None gives no verdict.
        setup: what is known of instrument and set-up.
        second: what the second indicator touches: ``reference`` (the knuckle or the holder's foot; it
            is taken off), ``pilot`` (a result of its own, on one angle with the face), or
            ``face:DEGREES`` further on in the direction of turning; None when there is none.
        file: where the trace came from, for the result.

    Raises:
        InputError: `second` is none of these, or the trace holds no second indicator.
    """
    return work_out_runout(trace, limit=limit, setup=setup, second=second, file=file).result


@dataclass(frozen=True, slots=True, eq=False)
class WorkedRunout:
    """A result of run-out with the steps that led to it, for pictures; None where a step was not reached."""

    result: RunoutResult
    cleaned: Cleaned | None = None
    turns: Turns | None = None
    runout: Runout | None = None


def work_out_runout(
    trace: Trace,
    *,
    limit: Limit | None = None,
    setup: Setup = Setup(),  # noqa: B008 - frozen value
    second: str | None = None,
    file: str | None = None,
) -> WorkedRunout:
    """The same as `measure_runout`, with the steps in between."""
    kind, face_deg = _second_kind(second, trace)
    if len(trace) < FEWEST_READINGS:
        return WorkedRunout(_no_runout(trace, limit, file))
    if kind == "pilot":
        return _with_pilot(trace, limit, setup, file)
    taken = take_off_reference(trace) if kind == "reference" else None
    before = () if taken is None else taken.notes
    cleaned, turns, runout, angle_notes = _laid_out(trace if taken is None else taken.trace, setup, face_deg)
    return _judged(trace, cleaned, turns, runout, limit, setup, (*before, *angle_notes), file)


def _laid_out(
    trace: Trace, setup: Setup, face_deg: float | None = None
) -> tuple[Cleaned, Turns, Runout, tuple[Note, ...]]:
    """Cleaned readings, turns, run-out, and what the plunger's angle did."""
    ring = clean_tips(trace)
    if ring is not None:
        ring, angle_notes = along_the_axis(ring, setup)
        return ring, *take_tips_apart(ring), angle_notes
    cleaned, angle_notes = along_the_axis(without_holes(clean(trace, setup)), setup)
    try:
        turns = find_turns(cleaned, setup, second_face_deg=face_deg)
        if face_deg is None:
            cleaned, turns = without_late_steps(cleaned, turns, lambda part: find_turns(part, setup))
    except np.linalg.LinAlgError:  # equations that rounding has spoilt: nothing was found
        turns = Turns(None, 0, "none", np.empty(0), 0.0, notes=(DIVERGED,))
    return cleaned, turns, take_apart(cleaned, turns, setup), angle_notes


def _with_pilot(trace: Trace, limit: Limit | None, setup: Setup, file: str | None) -> WorkedRunout:
    """Face and pilot in one run, each with its own result, both on the angle of the surer of the two."""
    pilot_setup = replace(setup, surface="radial", probe_radius_mm=None)
    pilot_trace = second_trace(trace)
    face = _laid_out(replace(trace, reading2_um=None), setup)
    pilot = _laid_out(pilot_trace, pilot_setup)
    face_s, pilot_s = face[0].trace.time_s, pilot[0].trace.time_s
    if surer(face[1], pilot[1]):
        turns = same_angle(face[1], face_s, pilot_s)
        pilot = (pilot[0], turns, take_apart(pilot[0], turns, pilot_setup), pilot[3])
    else:
        turns = same_angle(pilot[1], pilot_s, face_s)
        face = (face[0], turns, take_apart(face[0], turns, setup), face[3])
    beside = _judged(pilot_trace, *pilot[:3], None, pilot_setup, pilot[3], file)
    worked = _judged(trace, *face[:3], limit, setup, face[3], file)
    return replace(worked, result=worked.result.model_copy(update={"pilot": beside.result}))


def _judged(
    trace: Trace,
    cleaned: Cleaned,
    turns: Turns,
    runout: Runout,
    limit: Limit | None,
    setup: Setup,
    angle_notes: tuple[Note, ...],
    file: str | None,
) -> WorkedRunout:
    judged = judge_runout(runout, turns, cleaned, limit, setup)
    notes = (
        *cleaned.notes,
        *angle_notes,
        *turns.notes,
        *judged.judgement.notes,
        *runout.notes,
        *_missing(runout, turns),
        *instrument_notes(setup),
    )
    result = _runout_result(trace, cleaned, turns, runout, judged, limit, setup, notes, file)
    return WorkedRunout(result, cleaned, turns, runout)


def _second_kind(second: str | None, trace: Trace) -> tuple[str | None, float | None]:
    """What the second indicator touches, and how far on in the turn when it is the same face."""
    if second is None:
        return None, None
    where = f"--second {second}"
    kind, _, degrees = second.partition(":")
    if second in ("reference", "pilot"):
        if trace.reading2_um is None:
            raise InputError("the trace holds no second indicator", where=where, expected="a reading2 column")
        return kind, None
    if kind != "face":
        raise InputError("is not known", where=where, expected="reference, pilot or face:90")
    try:
        angle_deg = float(degrees)
    except ValueError as error:
        raise InputError("names no angle", where=where, expected="degrees, as in face:90") from error
    if not 0.0 < angle_deg < 360.0:
        raise InputError("is not an angle of a turn", where=where, expected="above 0 and below 360")
    if trace.reading2_um is None:
        raise InputError("the trace holds no second indicator", where=where, expected="a reading2 column")
    return kind, angle_deg


def _missing(runout: Runout, turns: Turns) -> tuple[Note, ...]:
    """Why a figure of a laid-out turn is still missing."""
    notes = []
    if runout.judged_um is not None and runout.non_repeatable_um is None:
        notes.append(
            Note(
                "non_repeatable_unknown",
                f"What does not repeat needs two whole turns or more; {turns.complete} was seen.",
            )
        )
    return tuple(notes)


def _no_runout(trace: Trace, limit: Limit | None, file: str | None) -> RunoutResult:
    return RunoutResult(
        file=file,
        turns=TurnsOut(total=None, complete=0, found_by="none", starts_s=(), confidence=0.0, alternatives=()),
        fim_mm=FimOut(as_read=None, per_turn=(), repeatable=None),
        non_repeatable_mm=None,
        per_turn_orders=(),
        high_spot_deg=None,
        drift_mm=None,
        noise_mm=None,
        readings=counts(trace, 0),
        resolution_mm=mm_or_none(trace.resolution_um),
        uncertainty_mm=None,
        limit_mm=limit_out(limit),
        verdict=None if limit is None else "not measurable",
        reasons=reasons_out((_too_few(trace),)),
    )


def _too_few(trace: Trace) -> Note:
    return Note("too_few_readings", f"Too few readings to measure anything: {len(trace)}.")


def _runout_result(
    trace: Trace,
    cleaned: Cleaned,
    turns: Turns,
    runout: Runout,
    judged: RunoutJudged,
    limit: Limit | None,
    setup: Setup,
    notes: tuple[Note, ...],
    file: str | None,
) -> RunoutResult:
    judgement = judged.judgement
    return RunoutResult(
        file=file,
        turns=_turns_out(turns),
        fim_mm=FimOut(
            as_read=mm_or_none(runout.as_read_um),
            per_turn=tuple(mm_from_um(value) for value in runout.per_turn_um),
            per_turn_as_read=tuple(mm_from_um(value) for value in runout.per_turn_as_read_um),
            repeatable=mm_or_none(runout.repeatable_um),
        ),
        run_out_bound_mm=mm_or_none(judged.bound_um),
        non_repeatable_mm=mm_or_none(runout.non_repeatable_um),
        per_turn_orders=_orders_out(runout),
        residual_after_order_1_mm=mm_or_none(runout.residual_after_order_1_um),
        filtered_mm={str(cutoff): mm_from_um(value) for cutoff, value in runout.filtered_um},
        eccentricity_mm=mm_or_none(runout.eccentricity_um),
        out_of_round_mm=mm_or_none(runout.out_of_round_um),
        high_spot_deg=None if runout.high_spot_deg is None else _within_turn(runout.high_spot_deg, 360.0),
        drift_mm=mm_or_none(runout.drift_um),
        noise_mm=mm_or_none(runout.noise_um),
        readings=counts(trace, len(cleaned.trace)),
        resolution_mm=mm_from_um(cleaned.resolution_um),
        uncertainty_mm=None if judged.uncertainty is None else uncertainty_out(judged.uncertainty),
        limit_mm=limit_out(limit),
        verdict=judgement.verdict,
        conformity_probability=judgement.conformity_probability,
        points_to=_points_to(cleaned, runout, judgement, limit, setup),
        reasons=reasons_out(notes),
    )


def _points_to(
    cleaned: Cleaned, runout: Runout, judgement: Judgement, limit: Limit | None, setup: Setup
) -> tuple[PointsTo, ...]:
    figures = RunoutFigures(
        verdict=judgement.verdict,
        repeatable_um=runout.repeatable_um,
        non_repeatable_um=runout.non_repeatable_um,
        amplitude_um={order.order: order.amplitude_um for order in runout.orders},
        noise_um=runout.noise_um or cleaned.noise_um,
        resolution_um=cleaned.resolution_um,
    )
    return runout_points_to(
        figures,
        limit_um=None if limit is None else limit.accept_nm / NM_PER_UM,
        studs=setup.studs,
        holder_moved=setup.holder_moved,
    )


def _turns_out(turns: Turns) -> TurnsOut:
    return TurnsOut(
        total=turns.total,
        complete=turns.complete,
        found_by=turns.found_by,
        starts_s=tuple(round(float(start), 9) for start in turns.starts_s),
        confidence=min(1.0, max(0.0, turns.confidence)),
        alternatives=turns.alternatives,
    )


def _orders_out(runout: Runout) -> tuple[OrderOut, ...]:
    return tuple(
        OrderOut(
            order=order.order,
            amplitude_mm=mm_from_um(order.amplitude_um),
            standard_mm=mm_from_um(order.standard_um),
            peak_deg=_within_turn(order.peak_deg, 360.0 / order.order),
        )
        for order in runout.orders
    )


def _within_turn(angle_deg: float, period_deg: float) -> float:
    """The angle in [0, period); rounding must not lift it onto the period."""
    wrapped = round(angle_deg % period_deg, 6)
    return wrapped if wrapped < period_deg else 0.0


def measure_endplay(
    trace: Trace,
    *,
    limit: Limit | None = None,
    setup: Setup = Setup(),  # noqa: B008 - frozen value
    file: str | None = None,
) -> EndplayResult:
    """End play of one trace, judged.

    Args:
        trace: readings of a hub that was pushed and pulled.
        limit: None gives no verdict.
        setup: what is known of instrument and set-up.
        file: where the trace came from, for the result.
    """
    return work_out_endplay(trace, limit=limit, setup=setup, file=file).result


@dataclass(frozen=True, slots=True, eq=False)
class WorkedEndplay:
    """A result of end play with the readings used and the holds found, for whoever checks it."""

    result: EndplayResult
    cleaned: Cleaned | None
    play: EndPlay


def work_out_endplay(
    trace: Trace,
    *,
    limit: Limit | None = None,
    setup: Setup = Setup(),  # noqa: B008 - frozen value
    file: str | None = None,
) -> WorkedEndplay:
    """The same as `measure_endplay`, with the steps in between."""
    if len(trace) < FEWEST_READINGS:
        nothing = EndPlay(notes=(_too_few(trace),))
        none = _endplay_result(trace, None, nothing, None, None, limit, setup, (), file)
        return WorkedEndplay(none, None, nothing)
    cleaned, angle_notes = along_the_axis(clean_still(trace), setup)
    play = find_strokes(cleaned, setup)
    found: Uncertainty | None = None
    judgement: Judgement | None = None
    notes = (*cleaned.notes, *angle_notes, *instrument_notes(setup))
    if play.play_um is not None:
        found = uncertainty.combine((*play.components, *uncertainty.instrument(play.play_um, setup)))
        judgement = unless_holder_moved(judge(play.play_um, found, limit), setup.holder_moved)
        coarse = coarse_for(cleaned.resolution_um, limit) if limit is not None else None
        notes = (*judgement.notes, *(() if coarse is None else (coarse,)), *notes)
    result = _endplay_result(trace, cleaned, play, found, judgement, limit, setup, notes, file)
    return WorkedEndplay(result, cleaned, play)


def _endplay_result(
    trace: Trace,
    cleaned: Cleaned | None,
    play: EndPlay,
    found: Uncertainty | None,
    judgement: Judgement | None,
    limit: Limit | None,
    setup: Setup,
    notes: tuple[Note, ...],
    file: str | None,
) -> EndplayResult:
    unjudged: Verdict | None = None if limit is None else "not measurable"
    verdict = judgement.verdict if judgement is not None else unjudged
    return EndplayResult(
        file=file,
        strokes=tuple(
            StrokeOut(
                pushed_mm=mm_from_um(stroke.pushed_um),
                pulled_mm=mm_from_um(stroke.pulled_um),
                play_mm=mm_from_um(stroke.play_um),
            )
            for stroke in play.strokes
        ),
        play_mm=mm_or_none(play.play_um),
        repeatability_mm=mm_or_none(play.repeatability_um),
        zero_return_mm=mm_or_none(play.zero_return_um),
        creep_mm=mm_or_none(play.creep_um),
        noise_mm=mm_or_none(play.noise_um),
        readings=counts(trace, 0 if cleaned is None else len(cleaned.trace)),
        resolution_mm=mm_or_none(trace.resolution_um if cleaned is None else cleaned.resolution_um),
        uncertainty_mm=None if found is None else uncertainty_out(found),
        limit_mm=limit_out(limit),
        verdict=verdict,
        conformity_probability=None if judgement is None else judgement.conformity_probability,
        points_to=endplay_points_to(
            verdict, freshly_fitted=setup.freshly_fitted, holder_moved=setup.holder_moved
        ),
        reasons=reasons_out((*play.notes, *notes)),
    )
