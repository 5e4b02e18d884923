"""From the station's record to a `ClaimInput`: the runs of a job, or runs picked by their ids."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, cast

from pydantic import TypeAdapter, ValidationError

from analysis.claim.documents import RESULT
from analysis.claim.values import ClaimInput, ClaimRun, Form, Instrument, Job, RunHeader, Step
from analysis.record import RunRecord, Store
from analysis.record.words import Wheel
from analysis.values import Setup
from config.errors import InputError
from config.limits import Limit

_SETUP = TypeAdapter(Setup)
_LIMIT: TypeAdapter[Limit | None] = TypeAdapter(Limit | None)


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
        steps: fitting steps of the job.
        form: language, paper, first unit; None for the usual.

    Raises:
        InputError: a run has no result, or there is none.
    """
    records = sorted((store.run(run_id) for run_id in run_ids), key=lambda record: record.summary.started_utc)
    if not records:
        raise InputError("there is no run to claim with", do="name runs with --run, or another job")
    instruments = {_instrument_id(record): _instrument(record) for record in records}
    last_utc = datetime.fromisoformat(records[-1].summary.started_utc)
    first = records[0].summary
    particulars = job or Job(
        id=first.job or first.id,
        number=first.job or "",
        opened_utc=datetime.fromisoformat(first.started_utc),
        closed_utc=last_utc,
    )
    return ClaimInput(
        job=particulars,
        runs=tuple(_run(store, record, particulars) for record in records),
        instruments=tuple(instruments.values()),
        steps=steps,
        form=form or Form(),
    )


def runs_of_job(store: Store, job: str, wheel: Wheel | None = None) -> list[str]:
    """Ids of the runs of a job that can be claimed with: ended, judged, of a kind that a pack shows."""
    found = store.runs(job=job, wheel=wheel)
    return [run.id for run in found if run.kind in ("runout", "endplay", "rest") and run.state != "running"]


def _run(store: Store, record: RunRecord, job: Job) -> ClaimRun:
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
                technician=job.technician,
                instrument=_instrument_id(record),
                second=settings.get("second"),
                setup=_SETUP.validate_python(settings.get("applied_setup", {})),
            ),
            trace=store.trace(summary.id),
            result=RESULT.validate_python(record.results[-1]),
            limit=_LIMIT.validate_python(settings.get("applied_limit")),
        )
    except ValidationError as error:
        raise InputError(f"cannot be claimed with: {error.errors()[0]['msg']}", where=where) from error


def _instrument_id(record: RunRecord) -> str:
    known = record.indicator
    return f"{known.get('name', 'indicator')} {known.get('serial_number', '')}".strip()[:100]


def _instrument(record: RunRecord) -> Instrument:
    known: Mapping[str, Any] = record.indicator
    return Instrument(
        id=_instrument_id(record),
        name=known.get("name", ""),
        serial=known.get("serial_number") or "",
        resolution_nm=known.get("resolution_nm"),
        permissible_error_nm=known.get("permissible_error_nm"),
        range_nm=known.get("range_nm"),
        calibrated_on=known.get("calibrated"),
        calibration_due=known.get("calibration_due"),
    )
