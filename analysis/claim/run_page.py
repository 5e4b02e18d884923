"""The pages of one run, as plain values: figures, pictures, set-up, instrument, uncertainty, remarks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from analysis.claim.drawing import Board
from analysis.claim.pictures import (
    orders_picture,
    polar_picture,
    stations_picture,
    strokes_picture,
    trace_picture,
)
from analysis.claim.summary import UM_PER_MM, expanded_um, judged_um, limit_edges_um, part_word
from analysis.claim.values import ClaimInput, ClaimResult, ClaimRun, Instrument, StudyFacts
from analysis.claim.wording import Wording, printable
from analysis.claim.worked import Shown
from analysis.results import EndplayResult, Judged, RestResult, RunoutResult
from analysis.results_bore import BoreResult
from analysis.trace import FloatArray

Add = Callable[[Board], dict[str, Any]]
FIELD, NOTE, FREE = 120, 400, 1200


def run_page(
    number: int, run: ClaimRun, drawn: Shown, claim: ClaimInput, add: Add, say: Wording
) -> dict[str, Any]:
    """Everything that the report shows of a run."""
    header, result = run.header, run.result
    where = say(header.wheel.replace(" ", "_")) if header.wheel else say("no_wheel")
    stage = say(header.stage.replace(" ", "_")) if header.stage else say("no_stage")
    verdict = (getattr(result, "verdict", None) or "no verdict").replace(" ", "_")
    instrument = next((known for known in claim.instruments if known.id == header.instrument), None)
    return {
        "title": say("run", number=number),
        "where": f"{where}, {say(header.kind)}",
        "stage": stage,
        "verdict": "" if isinstance(result, RestResult) else verdict,
        "word": "" if isinstance(result, RestResult) else say(verdict),
        "value": say.length(judged_um(result), expanded_um=expanded_um(result))
        if isinstance(result, Judged)
        else "",
        "limit": say.limit(limit_edges_um(run)) if run.limit is not None else "",
        "figures": _figures(result, say),
        "setup": _setup(run, instrument, say),
        "budget": _budget(result, say),
        "points": _points(result, say),
        "remarks": _remarks(result, say),
        "pictures": _pictures(run, drawn, add, say),
        "no_remarks": say("no_remarks"),
        "thrown_away": say("thrown_away", why=printable(header.thrown_away, FREE))
        if header.thrown_away
        else "",
    }


def _figures(result: ClaimResult, say: Wording) -> list[list[str]]:
    rows: list[tuple[str, str]] = []

    def length(key: str, value_mm: float | None) -> None:
        rows.append((key, say.length(None if value_mm is None else UM_PER_MM * value_mm, fine=True)))

    if isinstance(result, RunoutResult):
        rows.append(("turns", _turns(result, say)))
        rows.append(("per_turn", _ticks([UM_PER_MM * value for value in result.fim_mm.per_turn], say)))
        if result.run_out_bound_mm is not None and not result.fim_mm.per_turn:
            bound = say.length(UM_PER_MM * result.run_out_bound_mm, fine=True)
            rows.append(("value_runout", say("bound", value=bound)))
        if result.pilot is not None:
            length("pilot", max(result.pilot.fim_mm.per_turn, default=None))
        length("repeatable", result.fim_mm.repeatable)
        length("non_repeatable", result.non_repeatable_mm)
        rows.append(
            ("high_spot", "–" if result.high_spot_deg is None else f"{say.number(result.high_spot_deg, 0)}°")
        )
        rows.append(("orders", _orders(result, say)))
        length("drift", result.drift_mm)
        length("noise", result.noise_mm)
    elif isinstance(result, EndplayResult):
        rows.append(("strokes", str(len(result.strokes))))
        length("repeatability", result.repeatability_mm)
        length("zero_return", result.zero_return_mm)
        length("creep", result.creep_mm)
        length("noise", result.noise_mm)
    elif isinstance(result, BoreResult):
        rows += _bore_figures(result, say)
    elif isinstance(result, RestResult):
        rows.append(("steady", "–" if result.steady is None else say("yes" if result.steady else "no")))
        rows.append(("duration", f"{say.number(result.duration_s, 1)} s"))
        length("drift_rate", result.drift_mm_per_min)
        length("noise", result.noise_mm)
    if not isinstance(result, RestResult) and result.conformity_probability is not None:
        rows.append(("chance", f"{say.number(100 * result.conformity_probability, 1)} %"))
    counts = result.readings
    rows.append(("readings", say("readings_text", used=counts.used, rejected=counts.rejected)))
    return [[say(key), text] for key, text in rows]


def _ticks(lengths_um: Sequence[float], say: Wording) -> str:
    """Lengths at a scale with their unit once."""
    return f"{', '.join(map(say.tick, lengths_um))} {say.unit}" if lengths_um else "–"


def _orders(result: RunoutResult, say: Wording) -> str:
    """The three largest orders with half their swing."""
    largest = sorted(result.per_turn_orders, key=lambda order: -order.amplitude_mm)[:3]
    shown = [f"{order.order}: {say.tick(UM_PER_MM * order.amplitude_mm)}" for order in largest]
    return f"{'; '.join(shown)} {say.unit}" if shown else "–"


def _bore_figures(result: BoreResult, say: Wording) -> list[tuple[str, str]]:
    lengths = (
        ("two_point", result.two_point_difference_mm),
        ("out_of_round", result.out_of_round_mm),
        ("taper", result.taper_mm),
        ("mean_deviation", result.mean_deviation_mm),
        ("diameter", result.diameter_mm),
    )
    rows = [("method_bore", say(f"method_{result.method}"))]
    rows += [(key, say.length(UM_PER_MM * mm, fine=True)) for key, mm in lengths if mm is not None]
    if result.size_verdict is not None:
        rows.append(("size_verdict", say(result.size_verdict.replace(" ", "_"))))
    return rows


def _turns(result: RunoutResult, say: Wording) -> str:
    turns = result.turns
    if turns.total is None:
        return say("turns_none")
    return say(
        "turns_text",
        total=say.number(turns.total, 2),
        complete=turns.complete,
        how=say(f"found_{turns.found_by}"),
        confidence=say.number(100 * turns.confidence, 1),
    )


def _setup(run: ClaimRun, instrument: Instrument | None, say: Wording) -> list[list[str]]:
    header, setup = run.header, run.header.setup
    holder = {True: "holder_true", False: "holder_false", None: "holder_unknown"}[setup.holder_moved]
    rows = [("started", say.moment(header.started_utc)), ("technician", printable(header.technician, FIELD))]
    rows += _instrument(run, instrument, say)
    rows.append(("second", printable(header.second or "", FIELD) or say("second_none")))
    if header.kind == "runout":
        rows.append(("surface", say(f"surface_{setup.surface}")))
        if setup.studs is not None:
            rows.append(("studs", str(setup.studs)))
        if setup.probe_radius_mm is not None:
            rows.append(("radius", say.length(UM_PER_MM * setup.probe_radius_mm)))
    angle = say.number(setup.plunger_angle_deg, 1)
    rows.append(
        (
            "plunger",
            say("plunger_text", angle=angle, standard=say.number(setup.plunger_angle_standard_deg, 1)),
        )
    )
    rows.append(("holder", say(holder)))
    if header.note:
        rows.append(("note", printable(header.note, NOTE, more=say("shortened"))))
    return [[say(key), text or say("not_stated")] for key, text in rows]


def _instrument(run: ClaimRun, known: Instrument | None, say: Wording) -> list[tuple[str, str]]:
    if known is None:
        return [("instrument", "")]
    name = ", ".join(part for part in (known.name, known.maker, known.model) if part)
    step = known.resolution_nm
    error = known.permissible_error_nm
    return [
        ("instrument", printable(name, FIELD)),
        ("serial", printable(known.serial, FIELD)),
        ("step", "" if step is None else say.length(step / 1000, fine=True)),
        ("permissible", "" if error is None else f"± {say.length(error / 1000, fine=True)}"),
        ("calibrated", _calibrated(known, [run], say)),
        ("last_check", _check(known, say)),
        *([("study", _study(known.study, say))] if known.study is not None else []),
    ]


def _calibrated(known: Instrument, runs: Sequence[ClaimRun], say: Wording) -> str:
    due = known.calibration_due
    calibrated = say(
        "calibrated_text",
        on=known.calibrated_on.isoformat() if known.calibrated_on else say("not_stated"),
        due=due.isoformat() if due else say("not_stated"),
        certificate=printable(known.certificate, FIELD) or say("not_stated"),
    )
    late = due is not None and any(due < run.header.started_utc.date() for run in runs)
    return f"{calibrated}; {say('calibration_late')}" if late else calibrated


def instrument_lines(claim: ClaimInput, say: Wording) -> list[str]:
    """What was measured with, in a line each: whether it may be believed belongs beside the verdict."""
    lines = []
    for known in claim.instruments:
        runs = [run for run in claim.runs if run.header.instrument == known.id]
        name = printable(", ".join(filter(None, (known.name, known.model, known.serial))), FIELD)
        told = [f"{name or say('not_stated')}: {say('calibrated').lower()} {_calibrated(known, runs, say)}"]
        if known.last_check is not None and not known.last_check.passed:
            told.append(f"{say('last_check')}: {say('failed')}")
        if runs:
            lines.append("; ".join(told))
    return lines


def _study(study: StudyFacts, say: Wording) -> str:
    return say(
        "study_text",
        on=study.begun_utc.date().isoformat(),
        parts=study.parts,
        technicians=study.technicians,
        trials=study.trials,
        combined=say.length(UM_PER_MM * study.combined_mm, fine=True),
        fit=say(study.fit_for_use.replace(" ", "_")),
    )


def _check(known: Instrument, say: Wording) -> str:
    check = known.last_check
    if check is None:
        return ""
    words = {
        "at": say.moment(check.made_utc),
        "what": printable(say.sentence(check.what), FIELD),
        "outcome": say("passed" if check.passed else "failed"),
    }
    if check.found_nm is None or check.allowed_nm is None:
        return say("check_text", **words)
    found, allowed = (say.length(value / 1000, fine=True) for value in (check.found_nm, check.allowed_nm))
    return say("check_found", found=found, allowed=allowed, **words)


def _budget(result: ClaimResult, say: Wording) -> list[list[str]]:
    if isinstance(result, RestResult) or result.uncertainty_mm is None:
        return []
    total = result.uncertainty_mm
    rows = [
        [
            printable(say.sentence(line.source), 200),
            say.length(UM_PER_MM * line.standard, fine=True),
            line.evaluation,
        ]
        for line in total.budget
    ]
    combined = say("combined", factor=say.number(total.coverage_factor, 2))
    return [*rows, [combined, f"± {say.length(UM_PER_MM * total.expanded, fine=True)}", ""]]


def _points(result: ClaimResult, say: Wording) -> list[list[str]]:
    pointed = () if isinstance(result, RestResult) else result.points_to
    return [[part_word(point.part, say), printable(say.sentence(point.why), FREE)] for point in pointed]


def _remarks(result: ClaimResult, say: Wording) -> list[str]:
    return [printable(say.reason(reason.code, reason.text), FREE) for reason in result.reasons]


def _pictures(run: ClaimRun, drawn: Shown, add: Add, say: Wording) -> dict[str, Any]:
    shown: dict[str, Any] = {"trace": _trace(run, drawn, add, say)}
    result, edges = run.result, limit_edges_um(run)
    if isinstance(result, RunoutResult) and drawn.grid_deg is not None:
        edge = edges[-1] if edges else None
        zero = {"marks": "zero_mark", "angle": "zero_angle"}.get(result.turns.found_by, "zero_turn")
        shown["polar"] = add(polar_picture(drawn, edge, result.high_spot_deg, say))
        shown["polar_caption"] = say(
            "polar_caption", unit=say.unit, zero=say(zero), ring=say("polar_ring") if edge else ""
        )
        if result.per_turn_orders:
            studs = run.header.setup.studs
            shown["orders"] = add(orders_picture(result.per_turn_orders, studs, say))
            shown["orders_caption"] = say(
                "orders_caption", unit=say.unit, studs=say("orders_studs") if studs else ""
            )
    if isinstance(result, BoreResult):
        if result.per_turn_orders:
            shown["orders"] = add(orders_picture(result.per_turn_orders, None, say))
            shown["orders_caption"] = say("orders_caption", unit=say.unit, studs="")
        if result.stations:
            shown["stations"] = add(stations_picture(result.stations, say))
            shown["stations_caption"] = say("stations_caption", unit=say.unit)
    if isinstance(result, EndplayResult) and result.strokes:
        shown["strokes"] = add(strokes_picture(result.strokes, edges, say))
        shown["strokes_caption"] = say(
            "strokes_caption", unit=say.unit, edges=say("strokes_edges") if edges else ""
        )
    return shown


def _trace(run: ClaimRun, drawn: Shown, add: Add, say: Wording) -> dict[str, Any]:
    """The unrolled trace over turns where the angle is known, over seconds elsewhere."""
    raw, kept = run.trace, drawn.kept
    used_s, aside_s = raw.time_s[kept], raw.time_s[~kept]
    at, aside_at, borders, axis = used_s, aside_s, [], "second_axis"
    reading = drawn.value_um
    middle = float(np.mean(reading)) if reading.size else 0.0
    starts_s = run.result.turns.starts_s if isinstance(run.result, RunoutResult) else ()
    if drawn.angle_deg is not None and np.isfinite(drawn.angle_deg).sum() > 1:
        known = np.isfinite(drawn.angle_deg)
        time, angle = used_s[known], drawn.angle_deg[known] / 360.0
        # A place to draw at, not a measured angle: where the hub was between two readings that are known.
        at, aside_at = (np.interp(when, time, angle) for when in (used_s, aside_s))
        borders, axis = np.interp(np.array(starts_s), time, angle).tolist(), "turn_axis"
    if isinstance(run.result, EndplayResult):
        band = _play_band(limit_edges_um(run), run.result, middle)
    else:
        band = _band(limit_edges_um(run), starts_s, used_s, reading - middle)
    aside = (aside_at, raw.reading_um[~kept] - middle)
    board = trace_picture(at, reading - middle, aside, borders, band, say(axis), say)
    crosses = say("trace_aside") if aside_at.size else ""
    if run.header.kind == "runout":
        caption = say("trace_caption", unit=say.unit, band=say("trace_band") if band else "", aside=crosses)
    else:
        caption = say(
            "play_trace_caption", unit=say.unit, band=say("play_band") if band else "", aside=crosses
        )
    return {**add(board), "caption": caption}


def _play_band(
    edges_um: Sequence[float], result: EndplayResult, middle_um: float
) -> tuple[float, float] | None:
    """From the mean of the pushed levels up to the limit above it."""
    if not edges_um or not result.strokes:
        return None
    pushed_um = float(np.mean([UM_PER_MM * stroke.pushed_mm for stroke in result.strokes])) - middle_um
    return pushed_um, pushed_um + edges_um[-1]


def _band(
    edges_um: Sequence[float], starts_s: Sequence[float], time_s: FloatArray, reading_um: FloatArray
) -> tuple[float, float] | None:
    """Two levels as far apart as the limit, about the middle of the largest whole turn."""
    if not edges_um:
        return None
    pieces = [reading_um[(time_s >= start) & (time_s <= end)] for start, end in pairwise(starts_s)]
    largest = max(
        (piece for piece in pieces if piece.size), key=lambda piece: float(np.ptp(piece)), default=None
    )
    if largest is None:
        return None
    middle = float(largest.max() + largest.min()) / 2
    return middle - edges_um[-1] / 2, middle + edges_um[-1] / 2
