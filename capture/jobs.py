"""Jobs as commands and the page use them: typed words in, the record's entries out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.decisions import Seen, decide
from analysis.measure import measure_endplay, measure_runout
from analysis.record import Stage, Store, parse_wheel
from analysis.record.jobs import Entry, JobRecord, Jobs, JobSheet, WheelEnd, WheelSheet
from analysis.results import EndplayResult, Judged, RunoutResult
from analysis.results_bore import BoreResult
from analysis.trace_file import read_trace
from capture.folder import DATABASE
from config.errors import InputError
from config.limits import Limit, parse_limit
from config.path import Answer, Step, find_step
from config.settings import default_limit, load_limits, read_toml
from config.torque import parse_torque_n_m
from config.vin import parse_vin

KM_PER_MILE = 1.609344
RESULTS: dict[str, type[Judged]] = {"runout": RunoutResult, "endplay": EndplayResult, "bore": BoreResult}
AFTER: Stage = "after repair"


def jobs_in(data: Path) -> Jobs:
    """The jobs of a data folder."""
    return Jobs.open(data / DATABASE)


def begin(
    jobs: Jobs, given: Mapping[str, Any], ends: Sequence[Mapping[str, Any]]
) -> tuple[str, tuple[str, ...]]:
    """Open a job from typed words; returns its id and warnings.

    Raises:
        InputError: a VIN, odometer, wheel, torque or limit that cannot be; nothing was opened.
    """
    warnings = []
    vin = None
    if given.get("vin"):
        read = parse_vin(given["vin"])
        vin = read.text
        if read.warning:
            warnings.append(f"VIN: {read.warning}")
    sheet = JobSheet(
        technician=given.get("technician") or "",
        vehicle=given.get("vehicle") or "",
        vin=vin,
        odometer_km=None if not given.get("odometer") else parse_odometer_km(given["odometer"]),
        complaint=given.get("complaint") or "",
    )
    return jobs.begin(sheet, [_wheel_sheet(end) for end in ends]), tuple(warnings)


def parse_odometer_km(text: str) -> float:
    """Kilometres of a typed odometer such as ``120000 km`` or ``74500 mi``.

    Raises:
        InputError: no number, or no unit.
    """
    number, _, unit = text.strip().partition(" ")
    scale = {"km": 1.0, "mi": KM_PER_MILE}.get(unit.strip())
    digits = number.replace(".", "", 1)
    if scale is None or not (digits.isascii() and digits.isdigit()):
        raise InputError(f"{text!r} is not an odometer", where="--odometer", expected="such as '120000 km'")
    return float(number) * scale


def _wheel_sheet(end: Mapping[str, Any]) -> WheelSheet:
    limits = dict(end.get("limits") or {})
    for quantity, text in limits.items():
        _limit_of(quantity, text, end.get("source") or "")
    torque = end.get("torque")
    torque_n_m = None if not torque else float(parse_torque_n_m(torque, where="--torque"))
    if (torque or limits) and not (end.get("source") or "").strip():
        raise InputError("torque and limits need their source", where="--source", expected="who gives them")
    words = {
        name: str(end.get(name) or default)
        for name, default in (("bearing", "not known"), ("encoder", "not known"))
    }
    parts = {
        name: str(end.get(name) or "") for name in ("old_part", "old_lot", "new_part", "new_lot", "source")
    }
    return WheelSheet(
        wheel=parse_wheel(str(end["wheel"])),
        torque_n_m=torque_n_m,
        limits=limits,
        **words,
        **parts,
    )


def _limit_of(quantity: str, text: str, source: str) -> Limit:
    if quantity == "runout":
        return parse_limit(text, "runout", where="limit", source=source)
    if quantity == "endplay":
        return parse_limit(text, "endplay", where="limit", source=source)
    if quantity == "bore":
        return parse_limit(text, "bore", where="limit", source=source)
    raise InputError(f"unknown quantity {quantity!r}", where="limit", expected="runout, endplay or bore")


def pick(jobs: Jobs, job: str, wheel: str | None) -> tuple[JobRecord, WheelEnd]:
    """A job and one of its wheel ends, as typed."""
    found = jobs.find(job)
    return found, found.wheel(parse_wheel(wheel) if wheel else None)


def take_step(jobs: Jobs, steps: Sequence[Step], given: Mapping[str, Any], *, data: Path) -> Answer:
    """Record one step from typed words: `job`, `wheel`, `step`, `technician` and `answer`, `run` or `trace`.

    Raises:
        InputError: see `Jobs.answer`; a run of another kind, wheel or job, or one not judged yet.
    """
    job, end = pick(jobs, given["job"], given.get("wheel"))
    step = find_step(steps, given["step"])
    if step.records != "run":
        if given.get("answer") is None:
            raise InputError(
                f"step {step.id!r} needs an answer", expected=", ".join(step.allowed) or "a value"
            )
        return jobs.answer(job, end, step, given["answer"], given["technician"])
    if step.run is None or (given.get("run") is None) == (given.get("trace") is None):
        raise InputError(f"step {step.id!r} needs a measurement", expected="--run or --trace, one of them")
    _ask_order(end, step)
    if given.get("trace") is not None:
        run, verdict = _keep_trace(Path(given["trace"]), job, end, step, data)
    else:
        run, verdict = _kept_run(given["run"], job, end, step, data)
    return jobs.answer(job, end, step, verdict, given["technician"], run=run)


def _ask_order(end: WheelEnd, step: Step) -> None:
    first = step.missing(end.right_answers, end.skipped)
    if first is not None:
        raise InputError(f"step {step.id!r} comes after {first!r}", do=f"record {first!r} rightly first")


def _limit(end: WheelEnd, kind: str) -> Limit | None:
    typed = end.sheet.limits.get(kind)
    if typed is not None:
        return _limit_of(kind, typed, end.sheet.source)
    return default_limit(kind, load_limits())


def _keep_trace(path: Path, job: JobRecord, end: WheelEnd, step: Step, data: Path) -> tuple[str, str]:
    """Keep a trace file as a run of the record, judge it, and return the run's id and the verdict."""
    trace = read_trace(path)
    kind = step.run
    assert kind is not None
    limit = _limit(end, kind)
    result: Judged
    if kind == "runout":
        result = measure_runout(trace, limit=limit, file=str(path))
    elif kind == "endplay":
        result = measure_endplay(trace, limit=limit, file=str(path))
    else:
        from analysis.bore import measure_bore

        result = measure_bore(trace, limit=limit, file=str(path))
    from config.clock import SystemClock

    with Store.open(data / DATABASE) as store:
        start = SystemClock()
        begun = start.monotonic_ns()
        ref = store.begin_run(
            kind,
            {"name": "trace file", "file": path.name},
            settings={"limit": None if limit is None else limit.source},
            started_t_ns=begun,
            started_utc=start.utc(),
            job=job.id,
            wheel=end.sheet.wheel,
            stage=AFTER if step.stage == AFTER else "as found",
        )
        flags = trace.flag if trace.flag is not None else [""] * len(trace)
        rows = [
            (seq, begun + round(t * 1e9), round(um * 1000), str(flag) or None, None)
            for seq, (t, um, flag) in enumerate(zip(trace.time_s, trace.reading_um, flags, strict=True))
        ]
        store.append_readings(ref.key, rows)
        for mark in trace.mark_s:
            store.add_mark(ref.key, begun + round(float(mark) * 1e9))
        store.end_run(ref.key, "done", rows[-1][1])
        store.save_result(ref.key, result)
    return ref.id, result.verdict or "measured"


def _kept_run(name: str, job: JobRecord, end: WheelEnd, step: Step, data: Path) -> tuple[str, str]:
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


def decisions(job: JobRecord, data: Path) -> tuple[dict[str, Any], ...]:
    """A line for each part of each wheel end."""
    lines = []
    with Store.open(data / DATABASE) as store:
        for end in job.wheels:
            after = any(step in end.latest for step in ("play_after", "runout_after"))
            when = "after" if after else "found"
            seen = Seen(
                end.answers,
                _result(store, end.latest.get(f"play_{when}"), "endplay"),
                _result(store, end.latest.get(f"runout_{when}"), "runout"),
                _result(store, end.latest.get("bore"), "bore"),
                after_repair=after,
            )
            lines += [{"wheel": end.sheet.wheel, **asdict(decision)} for decision in decide(seen)]
    return tuple(lines)


def _result(store: Store, entry: Entry | None, kind: str) -> Judged | None:
    if entry is None or entry.run is None:
        return None
    results = store.run(entry.run).results
    return RESULTS[kind].model_validate(results[-1]) if results else None


def describe(job: JobRecord, steps: Sequence[Step]) -> dict[str, Any]:
    """A job as JSON: sheet, entries, problems and what comes next, per wheel end."""
    return {
        "id": job.id,
        "opened_utc": job.opened_utc,
        "closed_utc": job.closed_utc,
        **asdict(job.sheet),
        "wheels": [
            {
                **asdict(end.sheet),
                "entries": [asdict(entry) for entry in end.entries],
                "problems": list(end.problems),
                "next": [
                    {
                        "step": s.id,
                        "stage": s.stage,
                        "do": s.do,
                        "caution": s.caution,
                        "answers": list(s.allowed),
                    }
                    for s in end.to_do(steps)
                ],
            }
            for end in job.wheels
        ],
    }


def drive(file: Path, steps: Sequence[Step], data: Path) -> Iterator[dict[str, Any]]:
    """Take a whole job from a TOML file: ``[job]``, ``[[wheel]]``, then ``[[step]]`` in order.

    A step has `step` and one of `answer`, `trace` (beside the file), `run`, `skip` (the reason);
    optional `wheel` and `technician`. `release = true` in ``[job]`` closes it at the end.

    Raises:
        InputError: names the file and the step's number; what was recorded before stays.
    """
    where, _, content = read_toml(file, file.name)
    sheet = content.get("job")
    if not isinstance(sheet, dict) or not isinstance(content.get("wheel"), list):
        raise InputError("is no job", where=where, expected="[job], [[wheel]] and [[step]] tables")
    with jobs_in(data) as jobs:
        job_id, warnings = begin(jobs, sheet, content["wheel"])
        yield {"job": job_id, "warnings": list(warnings)}
        for number, entry in enumerate(content.get("step", []), start=1):
            try:
                yield _drive_step(jobs, steps, job_id, entry, sheet, file.parent, data)
            except InputError as error:
                place = f"{where}, step {number}"
                raise InputError(error.line(), where=place) from error
        if sheet.get("release"):
            jobs.release(jobs.find(job_id), steps)
            yield {"job": job_id, "released": True}


def _drive_step(
    jobs: Jobs,
    steps: Sequence[Step],
    job_id: str,
    entry: Mapping[str, Any],
    sheet: Mapping[str, Any],
    folder: Path,
    data: Path,
) -> dict[str, Any]:
    if not isinstance(entry.get("step"), str):
        raise InputError("names no step", expected='step = "…"')
    technician = entry.get("technician") or sheet.get("technician") or ""
    job, end = pick(jobs, job_id, entry.get("wheel"))
    told = {"wheel": end.sheet.wheel, "step": entry["step"]}
    if "skip" in entry:
        jobs.skip(job, end, find_step(steps, entry["step"]), str(entry["skip"]), technician)
        return {**told, "answer": f"skipped: {entry['skip']}", "problem": None}
    given = {
        "job": job_id, "wheel": end.sheet.wheel, "step": entry["step"], "technician": technician,
        "answer": None if "answer" not in entry else str(entry["answer"]), "run": entry.get("run"),
        "trace": folder / entry["trace"] if "trace" in entry else None,
    }  # fmt: skip
    answer = take_step(jobs, steps, given, data=data)
    return {**told, "answer": answer.text, "problem": answer.problem}
