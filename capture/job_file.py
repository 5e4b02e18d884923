"""A whole job from one TOML file: for offices that script, and for tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.record.jobs import Jobs
from capture.job_measure import run_request
from capture.jobs import begin, jobs_in, pick, take_step, typed_text
from capture.messages import RunRequest
from config.errors import InputError
from config.path import Step, find_step
from config.settings import read_toml

STEP_WORDS = ("technician", "wheel", "answer", "photo", "trace", "run", "skip", "indicator")
Measurer = Callable[[RunRequest], str]
"""Carries a run through and returns its id."""


def drive(
    file: Path, steps: Sequence[Step], data: Path, measure: Measurer | None = None
) -> Iterator[dict[str, Any]]:
    """Take a whole job from a TOML file: ``[job]``, ``[[wheel]]``, then ``[[step]]`` in order.

    A step has `step` and one of `answer`, `photo` or `trace` (files beside this one), `run`, ``measure =
    true`` (with the indicator, now), `skip` (the reason), or nothing more for a fit or a clocking; optional
    `wheel`, `technician` and `indicator` (its name, in ``[job]`` for all; `indicators` there is the
    workshop's file). `release = true` in ``[job]`` closes it at the end; `stop = "reason"` closes it without
    releasing the vehicle.

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
        entries = content.get("step", [])
        if not isinstance(entries, list):
            raise InputError("step is no list", where=where, expected="[[step]] tables")
        for number, entry in enumerate(entries, start=1):
            try:
                yield _drive_step(jobs, steps, job_id, entry, sheet, file.parent, data, measure)
            except InputError as error:
                place = f"{where}, step {number}"
                raise InputError(error.line(), where=place) from error
        if sheet.get("release"):
            jobs.release(jobs.find(job_id), steps)
            yield {"job": job_id, "released": True}
        elif sheet.get("stop"):
            jobs.stop(jobs.find(job_id), str(sheet["stop"]), str(sheet.get("technician") or ""))
            yield {"job": job_id, "released": False}


def _drive_step(
    jobs: Jobs,
    steps: Sequence[Step],
    job_id: str,
    entry: Mapping[str, Any],
    sheet: Mapping[str, Any],
    folder: Path,
    data: Path,
    measure: Measurer | None,
) -> dict[str, Any]:
    if not isinstance(entry, Mapping) or not isinstance(entry.get("step"), str):
        raise InputError("names no step", expected='step = "…"')
    words = {name: typed_text(entry, name) or None for name in STEP_WORDS}
    technician = words["technician"] or typed_text(sheet, "technician")
    job, end = pick(jobs, job_id, words["wheel"])
    told = {"wheel": end.sheet.wheel, "step": entry["step"]}
    if "skip" in entry:
        jobs.skip(job, end, find_step(steps, entry["step"]), words["skip"] or "", technician)
        return {**told, "answer": f"skipped: {words['skip']}", "problem": None}
    run = words["run"]
    if entry.get("measure"):
        if measure is None:
            raise InputError("nothing can be measured here", do="name a trace or a run")
        named = {name: entry[name] for name in ("indicator", "turns", "strokes") if name in entry}
        run = measure(run_request(jobs, steps, {**told, "job": job_id, **named}))
    answer = str(folder / words["photo"]) if words["photo"] else words["answer"]
    given = {
        "job": job_id, "wheel": end.sheet.wheel, "step": entry["step"], "technician": technician,
        "answer": answer, "run": run, "trace": folder / words["trace"] if words["trace"] else None,
        "indicator": words["indicator"] or typed_text(sheet, "indicator") or None,
        "indicators": folder / typed_text(sheet, "indicators") if sheet.get("indicators") else None,
    }  # fmt: skip
    taken = take_step(jobs, steps, given, data=data)
    return {
        **told,
        "answer": taken.answer.text,
        "problem": taken.answer.problem,
        "notice": taken.notice,
    }
