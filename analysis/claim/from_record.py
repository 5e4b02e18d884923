"""From the station's record to a `ClaimInput`: the runs of a job, or runs picked by their ids."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, cast, get_args

from pydantic import TypeAdapter, ValidationError

from analysis.bore import BoreSetup
from analysis.claim.documents import RESULT
from analysis.claim.from_job import (
    chosen_ends,
    last_change_utc,
    particulars,
    photos_of,
    steps_of,
    wheel_facts,
)
from analysis.claim.values import (
    Check,
    ClaimInput,
    ClaimKind,
    ClaimRun,
    Form,
    Instrument,
    Job,
    RecordLink,
    RunHeader,
    Step,
    StudyFacts,
)
from analysis.record import RunRecord, Store
from analysis.record.checks import KeptCheck
from analysis.record.job_values import JobRecord, WheelEnd
from analysis.record.studies import Studies
from analysis.record.words import Wheel
from analysis.values import Setup
from config.errors import InputError
from config.lengths import NM_PER_UNIT
from config.limits import Limit
from config.path import Step as PathStep

_SETUP = TypeAdapter(Setup)
_BORE: TypeAdapter[BoreSetup | None] = TypeAdapter(BoreSetup | None)
_LIMIT: TypeAdapter[Limit | None] = TypeAdapter(Limit | None)


def claim_of_job(
    store: Store,
    job: JobRecord,
    path: Sequence[PathStep],
    wheel: Wheel | None = None,
    *,
    workshop: str = "",
    form: Form | None = None,
) -> ClaimInput:
    """The claim of a recorded job: its runs, steps and wheel ends, or those of one wheel end.

    Args:
        store: the station's record.
        job: a job of it.
        path: the workshop's path, for what each step says.
        wheel: only this wheel end.
        workshop: its name.
        form: language, paper, first unit; None for the usual.

    Raises:
        InputError: no such wheel end, or no run to claim with.
    """
    ends = chosen_ends(job, wheel)
    ids = runs_of_job(store, job, ends)
    if not ids:
        raise InputError("has no run to claim with", where=f"job {job.id}", do="measure first")
    told = particulars(job, last_change_utc(ends, job), workshop=workshop)
    claim = claim_from_record(store, ids, told, steps=steps_of(ends, path), form=form)
    return replace(
        claim,
        wheels=tuple(wheel_facts(end) for end in ends),
        photos=photos_of(ends, path, store.path.parent),
    )


def claim_from_record(
    store: Store,
    run_ids: Sequence[str],
    job: Job | None = None,
    *,
    steps: tuple[Step, ...] = (),
    form: Form | None = None,
) -> ClaimInput:
    """The claim of these runs, in the order of their start.

    Args:
        store: the station's record.
        run_ids: ids of runs that were measured and judged.
        job: the job's particulars; None makes do with what the runs say.
        steps: steps of the job; they name who measured.
        form: language, paper, first unit; None for the usual.

    Raises:
        InputError: a run has no result, or there is none.
    """
    records = sorted((store.run(run_id) for run_id in run_ids), key=lambda record: record.summary.started_utc)
    if not records:
        raise InputError("there is no run to claim with", do="name runs with --run, or another job")
    with Studies.open(store.path) as studies:
        instruments = {_instrument_id(record): _instrument(store, studies, record) for record in records}
    last_utc = datetime.fromisoformat(records[-1].summary.started_utc)
    first = records[0].summary
    told = job or Job(
        id=first.job or first.id,
        number=first.job or "",
        opened_utc=datetime.fromisoformat(first.started_utc),
        closed_utc=last_utc,
    )
    measured_by = {step.run: step.by for step in steps if step.run is not None}
    return ClaimInput(
        job=told,
        runs=tuple(
            _run(store, record, measured_by.get(record.summary.id, told.technician)) for record in records
        ),
        instruments=tuple(instruments.values()),
        steps=steps,
        form=form or Form(),
        record=RecordLink(last_link_sha256=store.last_link()),
    )


def runs_named(store: Store, job: str, wheel: Wheel | None) -> list[str]:
    """Ids of the runs to claim with that carry this name of a job, whether the job itself is here or not."""
    return [run.id for run in store.runs(job=job, wheel=wheel) if _can_be_shown(store.run(run.id))]


def runs_of_job(store: Store, job: JobRecord, ends: Sequence[WheelEnd]) -> list[str]:
    """Ids of the runs to claim with: judged ones of these wheel ends, and those that a step names."""
    wheels = {end.sheet.wheel for end in ends}
    named = {entry.run for end in ends for entry in end.entries if entry.run is not None}
    found = store.runs(job=job.id)
    ids = [run.id for run in found if run.wheel in wheels or (run.wheel is None and run.id in named)]
    ids += sorted(named - {run.id for run in found})
    return [run_id for run_id in ids if _can_be_shown(store.run(run_id))]


def _can_be_shown(record: RunRecord) -> bool:
    """Ended, analysed, and of a kind that a pack shows."""
    summary = record.summary
    return summary.kind in get_args(ClaimKind) and summary.state != "running" and bool(record.results)


def _run(store: Store, record: RunRecord, technician: str) -> ClaimRun:
    summary, settings = record.summary, record.settings
    where = f"run {summary.id}"
    if not record.results:
        raise InputError("has no result", where=where, do="leave it out, or analyse it first")
    try:
        return ClaimRun(
            header=RunHeader(
                id=summary.id,
                kind=cast("Any", summary.kind),
                started_utc=datetime.fromisoformat(summary.started_utc),
                wheel=cast("Any", summary.wheel),
                stage=cast("Any", summary.stage),
                technician=technician,
                instrument=_instrument_id(record),
                second=settings.get("second"),
                setup=_SETUP.validate_python(settings.get("applied_setup", {})),
                bore=_BORE.validate_python(settings.get("applied_bore")),
                thrown_away=_thrown_away(record),
            ),
            trace=store.trace(summary.id),
            result=RESULT.validate_python(record.results[-1]),
            limit=_LIMIT.validate_python(settings.get("applied_limit")),
        )
    except ValidationError as error:
        raise InputError(f"cannot be claimed with: {error.errors()[0]['msg']}", where=where) from error


def _thrown_away(record: RunRecord) -> str:
    """Why the technician threw the run away; empty when it counts."""
    latest = record.said[-1] if record.said else None
    return latest.reason if latest is not None and latest.word == "thrown away" else ""


def _instrument_id(record: RunRecord) -> str:
    known = record.indicator
    return f"{known.get('name', 'indicator')} {known.get('serial_number', '')}".strip()[:100]


def _instrument(store: Store, studies: Studies, record: RunRecord) -> Instrument:
    """The indicator as it was when it measured, with its last check and study before that."""
    known: Mapping[str, Any] = record.indicator
    serial = known.get("serial_number") or ""
    before = datetime.fromisoformat(record.summary.started_utc)
    last = store.last_check(known.get("name", ""), serial, before=before)
    return Instrument(
        id=_instrument_id(record),
        name=known.get("name", ""),
        serial=serial,
        resolution_nm=known.get("resolution_nm"),
        permissible_error_nm=known.get("permissible_error_nm"),
        range_nm=known.get("range_nm"),
        calibrated_on=known.get("calibrated"),
        calibration_due=known.get("calibration_due"),
        last_check=None if last is None else _check(last),
        study=_last_study(studies, record),
    )


def _last_study(studies: Studies, record: RunRecord) -> StudyFacts | None:
    known = record.indicator
    finished = studies.of_indicator(known.get("name", ""), known.get("serial_number") or "")
    study = next((one for one in finished if one.begun_utc <= record.summary.started_utc), None)
    if study is None:
        return None
    told = study.results[-1]
    names = ("technicians", "parts", "trials", "method", "combined_mm", "percent_of_limit", "categories")
    return StudyFacts(
        id=study.id,
        begun_utc=datetime.fromisoformat(study.begun_utc),
        quantity=study.sheet.quantity,
        fit_for_use=told["fit_for_use"],
        **{name: told[name] for name in names},
    )


def _check(kept: KeptCheck) -> Check:
    blocks = kept.check.blocks
    if blocks is None:
        return Check(made_utc=kept.made_utc, what="untouched: pace, noise and step", passed=kept.check.passed)
    nominal_mm = [point.nominal_mm for point in blocks.points]
    return Check(
        made_utc=kept.made_utc,
        what=f"gauge blocks from {min(nominal_mm):g} to {max(nominal_mm):g} mm",
        found_nm=round(blocks.worst_mm * NM_PER_UNIT["mm"]),
        allowed_nm=round(blocks.permissible_error_mm * NM_PER_UNIT["mm"]),
        passed=kept.check.passed,
    )
