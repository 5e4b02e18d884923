"""Jobs as commands and the page use them: typed words in, the record's entries out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.decisions import Seen, decide
from analysis.record import Store, parse_wheel
from analysis.record.jobs import JobRecord, Jobs, JobSheet, WheelEnd, WheelSheet
from capture.folder import DATABASE
from capture.job_runs import found_by, keep_trace, kept_run, named_indicator
from config.clock import Clock, SystemClock
from config.errors import InputError
from config.indicators import load_indicators
from config.limits import Limit, parse_limit
from config.path import Answer, Step, find_step
from config.settings import default_limit, load_limits, read_toml
from config.torque import parse_torque_n_m
from config.vin import parse_vin

KM_PER_MILE = 1.609344


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


def parse_odometer_km(text: str, *, where: str = "--odometer") -> float:
    """Kilometres of a typed distance such as ``120000 km`` or ``74500 mi``.

    Raises:
        InputError: no number, or no unit.
    """
    number, _, unit = text.strip().partition(" ")
    scale = {"km": 1.0, "mi": KM_PER_MILE}.get(unit.strip())
    digits = number.replace(".", "", 1)
    if scale is None or not (digits.isascii() and digits.isdigit()):
        raise InputError(f"{text!r} is not a distance", where=where, expected="such as '120000 km'")
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

    With `trace` go `indicator` (its name, for its permissible error) and `indicators` (the workshop's file).

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
    jobs.check_step(job, end, step)
    if given.get("trace") is not None:
        limit, indicator = _limit(end, step.run), named_indicator(given)
        path = Path(given["trace"])
        run, verdict = keep_trace(path, job, end, step, limit=limit, indicator=indicator, data=data)
    else:
        run, verdict = kept_run(given["run"], job, end, step, data)
    return jobs.answer(job, end, step, verdict, given["technician"], run=run)


def _limit(end: WheelEnd, kind: str) -> Limit | None:
    typed = end.sheet.limits.get(kind)
    if typed is not None:
        return _limit_of(kind, typed, end.sheet.source)
    return default_limit(kind, load_limits())


def decisions(job: JobRecord, data: Path) -> tuple[dict[str, Any], ...]:
    """A line for each part of each wheel end."""
    lines = []
    with Store.open(data / DATABASE) as store:
        for end in job.wheels:
            after = any(step in end.latest for step in ("play_after", "runout_after"))
            when = "after" if after else "found"
            seen = Seen(
                end.answers,
                found_by(store, end.latest.get(f"play_{when}"), "endplay"),
                found_by(store, end.latest.get(f"runout_{when}"), "runout"),
                found_by(store, end.latest.get("bore"), "bore"),
                after_repair=after,
            )
            lines += [{"wheel": end.sheet.wheel, **asdict(decision)} for decision in decide(seen)]
    return tuple(lines)


def calibrations_due(indicators: Path, *, clock: Clock | None = None) -> tuple[dict[str, str], ...]:
    """The workshop's indicators whose calibration was due today or before."""
    today = (clock or SystemClock()).utc().date()
    return tuple(
        {"indicator": one.name, "serial_number": one.serial_number, "due": one.calibration_due.isoformat()}
        for one in load_indicators(indicators)
        if one.calibration_due is not None and one.calibration_due <= today
    )


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
    optional `wheel`, `technician` and `indicator` (its name, in ``[job]`` for all; `indicators` there is the
    workshop's file). `release = true` in ``[job]`` closes it at the end.

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
        "indicator": entry.get("indicator", sheet.get("indicator")),
        "indicators": folder / sheet["indicators"] if "indicators" in sheet else None,
    }  # fmt: skip
    answer = take_step(jobs, steps, given, data=data)
    return {**told, "answer": answer.text, "problem": answer.problem}
