"""Runs of a job: a trace file kept and judged for a step, a run that was measured, what they found."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.record import RunRef, Store
from analysis.record.job_results import AFTER
from analysis.record.job_values import JobRecord, WheelEnd
from analysis.results import Judged
from analysis.trace import FloatArray, Trace
from analysis.trace_file import read_trace
from analysis.values import Setup
from capture.bore_setup import bore_setup_of
from capture.folder import DATABASE, Owned
from capture.messages import BoreAsked
from config.clock import NS_PER_S, Clock, SystemClock
from config.errors import InputError
from config.indicators import Indicator, indicator_named, load_indicators
from config.limits import Limit
from config.path import Step

if TYPE_CHECKING:  # heavy, and a station that starts measures nothing yet
    from analysis.bore import BoreSetup

NM_PER_UM = 1_000.0
FULL_TURN_DEG = 360.0


def named_indicator(given: Mapping[str, Any]) -> Indicator | None:
    """The indicator typed as `indicator`, from the file `indicators`; None when none was named."""
    if given.get("indicator") is None:
        return None
    return indicator_named(given["indicator"], load_indicators(given.get("indicators")))


def bore_asked(
    end: WheelEnd, step: Step, *, directions: int | None = None, depths: int | None = None
) -> BoreAsked:
    """What a bore is measured with: the sheet's sizes, and what the steps that it uses recorded.

    Args:
        end: the wheel end.
        step: records the bore.
        directions: at each depth, where the sheet does not say.
        depths: where the sheet does not say.
    """
    typed = end.sheet.sizes
    found: dict[str, Any] = {
        name: typed[name] for name in ("setting_ring", "knuckle", "directions", "depths") if name in typed
    }
    for name, source in step.uses.items():
        entry = end.latest.get(source)
        if entry is not None and entry.what == "answer":
            found[name] = entry.number if name.endswith("_temperature") else entry.answer
    if "setting_ring" in found:  # without it the bore has a form, but no size
        found |= {name: typed[name] for name in ("size", "bore") if name in typed}
    return BoreAsked.model_validate({"directions": directions, "depths": depths, **found})


def keep_trace(
    path: Path,
    job: JobRecord,
    end: WheelEnd,
    step: Step,
    *,
    limit: Limit | None,
    indicator: Indicator | None,
    data: Path,
    clock: Clock | None = None,
) -> tuple[str, str]:
    """Keep a trace file as a run of the record and judge what was kept.

    Args:
        path: the trace file.
        job: the job.
        end: the wheel end.
        step: a step that records a run.
        limit: None to measure only.
        indicator: the one that was read, for its permissible error; None when not known.
        data: the station's folder, owned while the run is written.
        clock: of the run's start.

    Returns:
        The run's id, and its verdict or ``measured``.

    Raises:
        InputError: not a trace, or another process writes into the folder. Nothing was kept then.
    """
    kind = step.run
    assert kind is not None
    trace = read_trace(path)
    known, setup = _instrument(indicator)
    asked = bore_asked(end, step) if kind == "bore" else None
    bore = None if asked is None else bore_setup_of(asked)
    settings = _settings(path, setup, limit, asked, bore)
    now = clock or SystemClock()
    begun = now.monotonic_ns()
    with Owned(data), Store.open(data / DATABASE) as store:
        ref = store.begin_run(
            kind, known, settings=settings, started_t_ns=begun, started_utc=now.utc(),
            job=job.id, wheel=end.sheet.wheel, stage=AFTER if step.stage == AFTER else "as found",
        )  # fmt: skip
        _write_readings(store, ref, trace, begun, keep_angles=kind == "bore")
        # Judged as it was kept, so that whoever computes it again from the record has the same figures.
        result = _measure(kind, store.trace(ref.id), limit, setup, path.name, bore)
        store.save_result(ref.key, result)
    return ref.id, result.verdict or "measured"


def _instrument(indicator: Indicator | None) -> tuple[dict[str, Any], Setup]:
    """The instrument as the record keeps it, and what is known of it."""
    if indicator is None:
        return {"name": "trace file"}, Setup()
    error_um = indicator.permissible_error_nm / NM_PER_UM
    return indicator.model_dump(mode="json"), Setup(permissible_error_um=error_um)


def _settings(
    path: Path, setup: Setup, limit: Limit | None, asked: BoreAsked | None, bore: BoreSetup | None
) -> dict[str, Any]:
    """What the run was judged with, as the record keeps it."""
    settings: dict[str, Any] = {
        "file": path.name,
        "file_sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "applied_setup": asdict(setup),
        "applied_limit": None if limit is None else asdict(limit),
    }
    if asked is not None and bore is not None:
        settings |= {"bore": asked.model_dump(exclude_none=True), "applied_bore": asdict(bore)}
    return settings


def _write_readings(store: Store, ref: RunRef, trace: Trace, begun: int, *, keep_angles: bool) -> None:
    """Readings and marks; a bore keeps the angle of each reading, a hub only when its mark passed."""
    start_s = float(trace.time_s[0])

    def t_ns(time_s: float) -> int:
        return begun + round((float(time_s) - start_s) * NS_PER_S)

    flags = trace.flag if trace.flag is not None else [""] * len(trace)
    rows = [
        (seq, t_ns(time_s), round(float(um) * NM_PER_UM), str(flag) or None, None)
        for seq, (time_s, um, flag) in enumerate(zip(trace.time_s, trace.reading_um, flags, strict=True))
    ]
    store.append_readings(ref.key, rows)
    if keep_angles and trace.angle_deg is not None:
        known = np.flatnonzero(np.isfinite(trace.angle_deg)).tolist()
        store.add_angles(ref.key, [(seq, trace.angle_deg[seq]) for seq in known])
    for mark_s in trace.mark_s if trace.mark_s.size else _passings_s(trace):
        store.add_mark(ref.key, t_ns(mark_s))
    store.end_run(ref.key, "done", rows[-1][1])


def _passings_s(trace: Trace) -> FloatArray:
    """When the index mark passed, from the angles of an encoder; empty without them. Seconds."""
    if trace.angle_deg is None or len(trace) < 2:
        return np.empty(0)
    angle = np.unwrap(trace.angle_deg, period=FULL_TURN_DEG)
    if angle[-1] < angle[0]:
        angle = -angle
    angle = np.maximum.accumulate(angle)
    marks = np.arange(np.ceil(angle[0] / FULL_TURN_DEG), np.floor(angle[-1] / FULL_TURN_DEG) + 1)
    keep = np.concatenate([[True], np.diff(angle) > 0.0])
    passed_s: FloatArray = np.interp(marks * FULL_TURN_DEG, angle[keep], trace.time_s[keep])
    return passed_s


def _measure(
    kind: str, trace: Trace, limit: Limit | None, setup: Setup, file: str, bore: BoreSetup | None
) -> Judged:
    from analysis.bore import measure_bore
    from analysis.measure import measure_endplay, measure_runout

    if kind == "runout":
        return measure_runout(trace, limit=limit, setup=setup, file=file)
    if kind == "endplay":
        return measure_endplay(trace, limit=limit, setup=setup, file=file)
    if bore is not None:
        return measure_bore(trace, limit=limit, setup=setup, file=file, bore=bore)
    raise InputError(f"a run of {kind} is not judged from a trace file", where="--trace", do="use --run")


def kept_run(name: str, job: JobRecord, end: WheelEnd, step: Step, data: Path) -> tuple[str, str]:
    """The id of a run that was measured for a step, and its verdict or ``measured``.

    Raises:
        InputError: no such run; one of another kind, job or wheel; one not ended or not judged.
    """
    with Store.open(data / DATABASE) as store:
        record = store.run(name)
    summary = record.summary
    where = f"run {summary.id}"
    if summary.kind != step.run:
        raise InputError(f"is a run of {summary.kind}", where=where, expected=str(step.run))
    if summary.job not in (None, job.id) or summary.wheel not in (None, end.sheet.wheel):
        raise InputError(f"belongs to {summary.wheel} of job {summary.job}", where=where)
    if summary.state != "done" or not record.results:
        raise InputError(f"is {summary.state} and was not judged", where=where, do="measure again")
    return summary.id, summary.verdict or "measured"
