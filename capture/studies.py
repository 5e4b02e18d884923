"""Studies of the measuring system as commands and the daemon use them: typed words in, figures out."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis.gauge_study import PlanStep, Study
from analysis.record import Store
from analysis.record.results import judged_mm
from analysis.record.studies import Studies, StudyRecord, StudySheet
from analysis.results import EndplayResult, Judged, RunoutResult
from analysis.results_bore import BoreResult
from capture.folder import DATABASE
from config.clock import Clock
from config.errors import InputError
from config.lengths import NM_PER_UNIT, parse_length_nm

MEASURED: Mapping[str, type[Judged]] = {"runout": RunoutResult, "endplay": EndplayResult, "bore": BoreResult}
"""Quantities that a run of the station measures; any other one is typed."""


def studies_in(data: Path, *, clock: Clock | None = None) -> Studies:
    """The studies of a data folder."""
    return Studies.open(data / DATABASE, clock=clock)


def begin_study(studies: Studies, given: Mapping[str, Any]) -> StudyRecord:
    """Plan a study from typed words, by the names of `StudySheet`; the limit with its unit as `limit`.

    Raises:
        InputError: what cannot be planned, or a limit that is not above zero.
    """
    limit_nm = None
    if given.get("limit"):
        limit_nm = parse_length_nm(given["limit"], where="--limit")
        if limit_nm <= 0:
            raise InputError(
                f"{given['limit']!r} is not above zero", where="--limit", expected="a length above zero"
            )
    return studies.begin(
        StudySheet(
            indicator=given["indicator"],
            serial_number=given.get("serial_number") or "",
            quantity=given["quantity"],
            technicians=tuple(given["technicians"]),
            parts=tuple(given["parts"]),
            trials=given["trials"],
            limit_nm=limit_nm,
            seed=given.get("seed") or 0,
        )
    )


def next_step(study: StudyRecord, given: Mapping[str, Any]) -> PlanStep:
    """The step that is measured now: the one named by `technician`, `part` and `trial`, else the next.

    Raises:
        InputError: only some of the three were named, or everything was measured.
    """
    if study.results:
        raise InputError(f"study {study.id} is finished", do="begin a new one")
    named = [given.get(name) for name in ("trial", "technician", "part")]
    if all(value is not None for value in named):
        return PlanStep(int(given["trial"]), given["technician"], given["part"])
    if any(value is not None for value in named):
        raise InputError(
            "names some of a step", where="study", expected="technician, part and trial together"
        )
    if study.complete:
        raise InputError("everything was measured", where=f"study {study.id}", do="finish it")
    return study.to_do[0]


def enter(studies: Studies, study: StudyRecord, given: Mapping[str, Any], *, data: Path) -> StudyRecord:
    """Keep a measurement: `value` as typed with its unit, or `run`, an ended run of the studied quantity.

    Raises:
        InputError: neither or both, no length, or a run of another quantity, indicator or without a figure.
    """
    if (given.get("value") is None) == (given.get("run") is None):
        raise InputError("needs a measurement", where="study", expected="a value with its unit, or a run")
    step = next_step(study, given)
    if given.get("value") is not None:
        return studies.measured(study, step, parse_length_nm(given["value"], where="value"))
    run, value_nm = run_value(study, given["run"], data)
    return studies.measured(study, step, value_nm, run=run)


def run_value(study: StudyRecord, name: str, data: Path) -> tuple[str, int]:
    """The id of a run and its judged figure in nm.

    Raises:
        InputError: a run of another quantity or indicator, or one without a figure.
    """
    with Store.open(data / DATABASE) as store:
        record = store.run(name)
    summary, where = record.summary, f"run {record.summary.id}"
    sheet = study.sheet
    if summary.kind != sheet.quantity or summary.kind not in MEASURED:
        raise InputError(f"is a run of {summary.kind}", where=where, expected=sheet.quantity)
    known = record.indicator.get("name"), record.indicator.get("serial_number") or ""
    if known != (sheet.indicator, sheet.serial_number):
        raise InputError(
            f"was measured with {' '.join(str(one) for one in known if one)}",
            where=where,
            expected=f"{sheet.indicator} {sheet.serial_number}".strip(),
        )
    result = MEASURED[summary.kind].model_validate(record.results[-1]) if record.results else None
    value_mm = None if result is None else judged_mm(result)
    if value_mm is None:
        raise InputError("has no figure", where=where, do="measure again")
    return summary.id, round(value_mm * NM_PER_UNIT["mm"])


def told(study: StudyRecord) -> dict[str, Any]:
    """A study as JSON: what it is, how far it is, what comes next, and its results."""
    sheet, step = study.sheet, (study.to_do[0] if not study.complete else None)
    return {
        "study": study.id,
        "begun_utc": study.begun_utc,
        "indicator": sheet.indicator,
        "serial_number": sheet.serial_number,
        "quantity": sheet.quantity,
        "form": "short" if len(sheet.technicians) == 1 else "crossed",
        "technicians": list(sheet.technicians),
        "parts": list(sheet.parts),
        "trials": sheet.trials,
        "limit_mm": None if sheet.limit_nm is None else sheet.limit_nm / NM_PER_UNIT["mm"],
        "done": len(study.plan) - len(study.to_do),
        "steps": len(study.plan),
        "next": None
        if step is None
        else {"technician": step.technician, "part": step.part, "trial": step.trial},
        "results": [dict(result) for result in study.results],
    }


def is_good(results: tuple[Study, ...]) -> bool:
    """No evaluation calls the measuring system not good."""
    return all(result.fit_for_use != "not good" for result in results)
