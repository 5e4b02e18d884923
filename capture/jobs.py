"""Jobs as commands and the daemon use them: typed words in, the record's entries out."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.record import parse_wheel
from analysis.record.job_values import Attachment, JobRecord, JobSheet, WheelEnd, WheelSheet
from analysis.record.jobs import Jobs
from analysis.record.photos import keep_photo
from capture.folder import DATABASE
from capture.job_figures import clocking_of, fit_of
from capture.job_runs import keep_trace, kept_run, named_indicator
from config.clock import Clock, SystemClock
from config.errors import InputError
from config.indicators import Indicator
from config.limits import Limit, parse_limit
from config.path import Answer, Step, find_step, load_path
from config.settings import default_limit, load_limits
from config.sizes import read_sizes
from config.torque import parse_torque_n_m
from config.vin import parse_vin

KM_PER_MILE = 1.609344
PATH_FILE = "path.toml"
PATH_VARIABLE = "HUBPROOF_PATH"
JOB_WORDS = ("technician", "vehicle", "vin", "odometer", "complaint", "customer", "plate")
WHEEL_WORDS = (
    "wheel", "bearing", "encoder", "old_part", "old_lot", "new_part", "new_lot", "torque", "source",
)  # fmt: skip


def jobs_in(data: Path, *, clock: Clock | None = None) -> Jobs:
    """The jobs of a data folder."""
    return Jobs.open(data / DATABASE, clock=clock)


def path_of(data: Path, named: Path | None = None) -> tuple[Step, ...]:
    """The path of steps: the file named, else that of the environment, of the data folder, the shipped one.

    Raises:
        InputError: names file, line and key.
    """
    told = os.environ.get(PATH_VARIABLE)
    if named is None and told:
        named = Path(told)
    if named is None and (data / PATH_FILE).is_file():
        named = data / PATH_FILE
    return load_path(named)


def begin(
    jobs: Jobs, given: Mapping[str, Any], ends: Sequence[Mapping[str, Any]]
) -> tuple[str, tuple[str, ...]]:
    """Open a job from typed words; returns its id and warnings.

    Raises:
        InputError: a VIN, odometer, wheel, torque, limit or size that cannot be; nothing was opened.
    """
    warnings = []
    vin = None
    typed = {name: typed_text(given, name) for name in JOB_WORDS}
    if typed["vin"]:
        read = parse_vin(typed["vin"])
        vin = read.text
        if read.warning:
            warnings.append(f"VIN: {read.warning}")
    sheet = JobSheet(
        technician=typed["technician"],
        vehicle=typed["vehicle"],
        vin=vin,
        odometer_km=parse_odometer_km(typed["odometer"]) if typed["odometer"] else None,
        complaint=typed["complaint"],
        customer=typed["customer"].strip(),
        plate=typed["plate"].strip(),
    )
    return jobs.begin(sheet, [_wheel_sheet(end) for end in ends]), tuple(warnings)


def typed_text(given: Mapping[str, Any], name: str) -> str:
    """What was typed under a name, empty when nothing was; a number of a file is taken as its digits.

    Raises:
        InputError: a table, a list, a date or a truth value where text belongs.
    """
    value = given.get(name)
    if value is None:
        return ""
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise InputError(f"{name} = {value!r} is no text", where="job", expected='such as "front left"')
    return str(value)


def _typed_table(given: Mapping[str, Any], name: str) -> dict[str, str]:
    table = given.get(name) or {}
    if not isinstance(table, Mapping):
        raise InputError(f"{name} = {table!r} is no table", where="job", expected='{ name = "value" }')
    return {key: typed_text(table, key) for key in table}


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
    if not isinstance(end, Mapping):
        raise InputError(f"{end!r} is no wheel end", where="job", expected="[[wheel]] tables")
    typed = {name: typed_text(end, name) for name in WHEEL_WORDS}
    limits, sizes = _typed_table(end, "limits"), _typed_table(end, "sizes")
    source = typed["source"]
    torque = typed["torque"]
    torque_n_m = float(parse_torque_n_m(torque, where="--torque")) if torque else None
    for name, text in limits.items():
        limit_named(name, text, source.strip() or "not said yet")
    if (torque or limits) and not source.strip():
        raise InputError("torque and limits need their source", where="--source", expected="who gives them")
    read_sizes(sizes)
    return WheelSheet(
        wheel=parse_wheel(typed["wheel"]),
        torque_n_m=torque_n_m,
        limits=limits,
        bearing=typed["bearing"] or "not known",
        encoder=typed["encoder"] or "not known",
        source=source,
        sizes=sizes,
        old_part=typed["old_part"],
        old_lot=typed["old_lot"],
        new_part=typed["new_part"],
        new_lot=typed["new_lot"],
    )


def limit_named(name: str, text: str, source: str) -> Limit:
    """A limit of a job's sheet: of ``runout``, ``endplay``, ``bore``, or ``disc`` (the disc's run-out).

    Raises:
        InputError: another name, or no length.
    """
    if name in ("runout", "disc"):
        return parse_limit(text, "runout", where="limit", source=source)
    if name == "endplay":
        return parse_limit(text, "endplay", where="limit", source=source)
    if name == "bore":
        return parse_limit(text, "bore", where="limit", source=source)
    raise InputError(f"unknown quantity {name!r}", where="limit", expected="runout, endplay, bore or disc")


def limit_of(end: WheelEnd, step: Step) -> Limit | None:
    """The limit that the run of a step is judged against: the sheet's, else the shipped one, else none."""
    assert step.run is not None
    typed = end.sheet.limits.get(step.limit or step.run)
    if typed is not None:
        return limit_named(step.limit or step.run, typed, end.sheet.source)
    return None if step.limit else default_limit(step.run, load_limits())


def pick(jobs: Jobs, job: str, wheel: str | None) -> tuple[JobRecord, WheelEnd]:
    """A job and one of its wheel ends, as typed."""
    found = jobs.find(job)
    return found, found.wheel(parse_wheel(wheel) if wheel else None)


@dataclass(frozen=True, slots=True)
class Taken:
    """What was recorded of a step, and what is good to know: somebody else had answered otherwise."""

    answer: Answer
    notice: str | None = None


def take_step(jobs: Jobs, steps: Sequence[Step], given: Mapping[str, Any], *, data: Path) -> Taken:
    """Record one step from typed words.

    `given` has `job`, `wheel`, `step`, `technician`, and of a step that is answered `answer` (of a photo its
    file, or `name` and its bytes as `photo`), of a run `run` or `trace`; nothing more of a fit or a clocking.
    With `trace` go `indicator` (its name, for its permissible error) and `indicators` (the workshop's file).

    Raises:
        InputError: see `Jobs.answer`; a run of another kind, wheel or job, or one not judged yet.
    """
    job, end = pick(jobs, given["job"], given.get("wheel"))
    step = find_step(steps, given["step"])
    jobs.check_step(job, end, step)
    before = end.latest.get(step.id)
    if step.records == "run":
        answer = _take_run(jobs, job, end, step, given, data)
    elif step.is_found_out:
        worked_out = (fit_of if step.records == "fit" else clocking_of)(end, step, data)
        answer = jobs.answer(
            job, end, step, worked_out.answer, given["technician"], problem=worked_out.problem,
            attached=[jobs.new_attachment(step.records, content=worked_out.figures)],
        )  # fmt: skip
    elif step.records == "photo":
        photo = _photo(jobs, step, given, data)
        answer = jobs.answer(job, end, step, photo.name, given["technician"], attached=[photo])
    else:
        if given.get("answer") is None:
            raise InputError(
                f"step {step.id!r} needs an answer", expected=", ".join(step.allowed) or "a value"
            )
        answer = jobs.answer(job, end, step, given["answer"], given["technician"])
    notice = None
    if before is not None and before.technician != given["technician"] and before.answer != answer.text:
        notice = f"{before.technician} had recorded {before.answer!r} at {before.at_utc[:16]}; both are kept"
    return Taken(answer, notice)


def _take_run(
    jobs: Jobs, job: JobRecord, end: WheelEnd, step: Step, given: Mapping[str, Any], data: Path
) -> Answer:
    if (given.get("run") is None) == (given.get("trace") is None):
        raise InputError(f"step {step.id!r} needs a measurement", expected="--run or --trace, one of them")
    if given.get("trace") is not None:
        indicator: Indicator | None = named_indicator(given)
        path = Path(given["trace"])
        run, verdict = keep_trace(
            path, job, end, step, limit=limit_of(end, step), indicator=indicator, data=data
        )
    else:
        run, verdict = kept_run(given["run"], job, end, step, data)
    return jobs.answer(job, end, step, verdict, given["technician"], run=run)


def _photo(jobs: Jobs, step: Step, given: Mapping[str, Any], data: Path) -> Attachment:
    """The photo given as bytes, or read from its file; kept beside the record before it is spoken of."""
    where = f"step {step.id!r}"
    content, name = given.get("photo"), given.get("name")
    if content is None:
        if not given.get("answer"):
            raise InputError("needs a photo", where=where, expected="its file")
        path = Path(given["answer"])
        name = path.name
        try:
            content = path.read_bytes()
        except OSError as error:
            raise InputError(
                f"photo {str(path)!r} is not there", where=where, do="look at the name, nothing was recorded"
            ) from error
    kept = keep_photo(data, content, where=f"photo {name!r}")
    return jobs.new_attachment(
        "photo", name=name or "photo", media_type=kept.media_type, sha256=kept.sha256, size=kept.size
    )


def calibrations_due(
    indicators: Sequence[Indicator], *, clock: Clock | None = None
) -> tuple[dict[str, str], ...]:
    """The workshop's indicators whose calibration was due today or before."""
    today = (clock or SystemClock()).utc().date()
    return tuple(
        {"indicator": one.name, "serial_number": one.serial_number, "due": one.calibration_due.isoformat()}
        for one in indicators
        if one.calibration_due is not None and one.calibration_due <= today
    )
