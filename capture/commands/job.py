"""``hubproof job``: a vehicle's visit, from its arrival to its release."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import data_option, json_option
from config.errors import InputError

if TYPE_CHECKING:
    from analysis.record.jobs import JobRecord

TECHNICIAN = click.option("--technician", required=True, metavar="NAME", help="Who does it.")
WHEEL = click.option("--wheel", metavar="POSITION", help="Front left, FL …; not needed with one wheel end.")
PATH = click.option(
    "--path",
    "path_file",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="HUBPROOF_PATH",
    help="The workshop's own path of steps.",
)


@click.group(short_help="Take a vehicle through inspection, repair and release.")
def command() -> None:
    """Take a vehicle through inspection, repair and release.

    The vehicle maker's procedure, local rules and licensed practice take precedence over every step.
    """


@command.command("open")
@TECHNICIAN
@click.option("--wheel", "wheels", multiple=True, required=True, metavar="POSITION", help="May be repeated.")
@click.option("--vin", help="Vehicle identification number.")
@click.option("--vehicle", default="", help="The vehicle in words.")
@click.option("--odometer", metavar="DISTANCE", help="Such as '120000 km' or '74500 mi'.")
@click.option("--complaint", default="", help="What the customer says.")
@click.option(
    "--torque", metavar="TORQUE", help="Hub nut torque of the vehicle maker: '180 N m', '133 lbf ft'."
)
@click.option("--limit", "limits", multiple=True, metavar="QUANTITY=LENGTH", help="Such as runout='0.05 mm'.")
@click.option("--source", default="", help="Where torque and limits are from.")
@click.option("--bearing", type=click.Choice(["ball", "tapered", "not known"]), default="not known")
@click.option("--part", default="", help="Part number of the bearing to fit.")
@click.option("--lot", default="", help="Its lot.")
@data_option
@json_option
def open_job(data: Path, as_json: bool, wheels: tuple[str, ...], **given: Any) -> None:
    """Open a job."""
    from capture.jobs import begin, jobs_in

    ends = [
        {
            "wheel": wheel,
            "bearing": given["bearing"],
            "new_part": given["part"],
            "new_lot": given["lot"],
            "torque": given["torque"],
            "limits": dict(_pair(text) for text in given["limits"]),
            "source": given["source"],
        }
        for wheel in wheels
    ]
    names = ("technician", "vehicle", "vin", "odometer", "complaint")
    with jobs_in(data) as jobs:
        job_id, warnings = begin(jobs, {name: given[name] for name in names}, ends)
    for warning in warnings:
        click.echo(warning, err=True)
    _say({"job": job_id, "warnings": list(warnings)}, job_id, as_json)


def _pair(text: str) -> tuple[str, str]:
    quantity, equals, length = text.partition("=")
    if not equals:
        raise InputError(f"{text!r} is not a limit", where="--limit", expected="such as runout='0.05 mm'")
    return quantity.strip(), length.strip()


@command.command("show")
@click.argument("job", default="last")
@PATH
@data_option
@json_option
def show(job: str, path_file: Path | None, data: Path, as_json: bool) -> None:
    """Show a JOB (id, its beginning, a VIN, or 'last'): what was recorded and what comes next."""
    from capture.jobs import describe, jobs_in
    from config.path import load_path

    with jobs_in(data) as jobs:
        told = describe(jobs.find(job), load_path(path_file))
    _say(told, None, as_json)
    if not as_json:
        _show(told)


def _show(told: dict[str, Any]) -> None:
    state = "released" if told["closed_utc"] else "open"
    click.echo(f"job {told['id']}, {state}: {told['vehicle'] or '-'} {told['vin'] or ''}".rstrip())
    for end in told["wheels"]:
        click.echo(f"\n{end['wheel']}")
        for entry in end["entries"]:
            mark = "!" if entry["problem"] else ("-" if entry["what"] == "skip" else " ")
            click.echo(f"{mark} {entry['step']:<16} {entry['answer']}  ({entry['technician']})")
            if entry["problem"]:
                click.echo(f"  {'':<16} {entry['problem']}")
        for step in end["next"][:1]:
            click.echo(f"next: {step['step']}: {step['do']}")
            if step["caution"]:
                click.echo(f"      caution: {step['caution']}")
            if step["answers"]:
                click.echo(f"      answers: {', '.join(step['answers'])}")


@command.command("step")
@click.argument("job")
@click.argument("step")
@click.argument("answer", required=False)
@click.option("--run", metavar="RUN", help="The run that was measured for this step.")
@click.option(
    "--trace",
    type=click.Path(dir_okay=False, path_type=Path),
    help="A trace file to keep and judge as the run of this step.",
)
@WHEEL
@TECHNICIAN
@PATH
@data_option
@json_option
def record_step(data: Path, as_json: bool, path_file: Path | None, **given: Any) -> int:
    """Record the ANSWER of a STEP. Exit status 1 when the answer stops the job until it is put right."""
    from capture.jobs import jobs_in, take_step
    from config.path import load_path

    with jobs_in(data) as jobs:
        answer = take_step(jobs, load_path(path_file), given, data=data)
    _say({"step": given["step"], "answer": answer.text, "problem": answer.problem}, answer.text, as_json)
    if answer.problem:
        click.echo(f"step {given['step']!r}: {answer.problem}", err=True)
        return 1
    return 0


@command.command("skip")
@click.argument("job")
@click.argument("step")
@click.option("--reason", default="", help="Why; needed.")
@WHEEL
@TECHNICIAN
@PATH
@data_option
@json_option
def skip(data: Path, as_json: bool, path_file: Path | None, **given: Any) -> None:
    """Skip a STEP, with a reason."""
    from capture.jobs import jobs_in, pick
    from config.path import find_step, load_path

    with jobs_in(data) as jobs:
        job, end = pick(jobs, given["job"], given["wheel"])
        step = find_step(load_path(path_file), given["step"])
        jobs.skip(job, end, step, given["reason"], given["technician"])
    _say({"step": given["step"], "skipped": given["reason"]}, f"{given['step']} skipped", as_json)


@command.command("decide")
@click.argument("job", default="last")
@data_option
@json_option
def decide(job: str, data: Path, as_json: bool) -> None:
    """What to do with each part, why, and what to measure next."""
    from capture.jobs import decisions, jobs_in

    with jobs_in(data) as jobs:
        found: JobRecord = jobs.find(job)
        told = decisions(found, data)
    for line in told:
        text = f"{line['wheel']}: {line['part']}: {line['action']}: {' '.join(line['reasons'])}"
        more = f" Next: {line['next_measurement']}." if line["next_measurement"] else ""
        _say(line, text + more, as_json)


@command.command("release")
@click.argument("job")
@PATH
@data_option
@json_option
def release(job: str, path_file: Path | None, data: Path, as_json: bool) -> None:
    """Close a JOB; refused while a step is open."""
    from capture.jobs import jobs_in
    from config.path import load_path

    with jobs_in(data) as jobs:
        found = jobs.find(job)
        jobs.release(found, load_path(path_file))
    _say({"job": found.id, "released": True}, f"{found.id} released", as_json)


@command.command("list")
@click.option("--vin", help="Only this vehicle.")
@click.option("--parts", is_flag=True, help="By part and lot, with the share over after repair.")
@click.option("--comebacks", metavar="KM", type=float, help="Wheel ends that came again within this mileage.")
@click.option("--last", type=click.IntRange(min=1), default=20, show_default=True)
@data_option
@json_option
def list_jobs(
    vin: str | None, parts: bool, comebacks: float | None, last: int, data: Path, as_json: bool
) -> None:
    """List jobs, the newest first; or parts; or comebacks."""
    from capture.jobs import jobs_in

    with jobs_in(data) as jobs:
        if parts:
            rows = jobs.by_part()
        else:
            rows = jobs.latest(last=last, vin=vin) if comebacks is None else jobs.comebacks(comebacks)
    for row in rows:
        _say(row, "  ".join("-" if value is None else str(value) for value in row.values()), as_json)


@command.command("run-file")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@PATH
@data_option
@json_option
def run_file(file: Path, path_file: Path | None, data: Path, as_json: bool) -> int:
    """Take a whole job from one TOML FILE. Exit status 1 when an answer stops the job."""
    from capture.jobs import drive
    from config.path import load_path

    status = 0
    for line in drive(file, load_path(path_file), data):
        status = max(status, 1 if line.get("problem") else 0)
        text = (
            f"{line['wheel']}: {line['step']}: {line['answer']}" if "step" in line else f"job {line['job']}"
        )
        _say(line, text + (f"  ! {line['problem']}" if line.get("problem") else ""), as_json)
    return status


def _say(value: dict[str, Any], text: str | None, as_json: bool) -> None:
    if as_json:
        import json

        click.echo(json.dumps(value, ensure_ascii=False))
    elif text is not None:
        click.echo(text)
