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
    from capture.job_changes import changes
    from capture.jobs import describe, jobs_in
    from config.path import load_path

    steps = load_path(path_file)
    with jobs_in(data) as jobs:
        found = jobs.find(job)
    told, changed = describe(found, steps), changes(found, steps, data)
    for end in told["wheels"]:
        end["before_after"] = changed[end["wheel"]]
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
        for line in end["before_after"]:
            before, after, change = (_figure(line["before"]), _figure(line["after"]), line["change"])
            click.echo(f"{line['quantity']}: as found {before}; after repair {after}")
            if change:
                click.echo(f"  {change['text']}")
        for step in end["next"][:1]:
            click.echo(f"next: {step['step']}: {step['do']}")
            if step["caution"]:
                click.echo(f"      caution: {step['caution']}")
            if step["answers"]:
                click.echo(f"      answers: {', '.join(step['answers'])}")


def _figure(told: dict[str, Any] | None) -> str:
    if told is None:
        return "not measured"
    if told["value_mm"] is None:
        return str(told["verdict"] or "no figure")
    spread = "" if told["expanded_mm"] is None else f" ± {told['expanded_mm']:.4f}"
    limit = "" if told["limit_mm"] is None else f" (limit {told['limit_mm']:.4f} mm: {told['verdict']})"
    return f"{told['value_mm']:.4f}{spread} mm{limit}"


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
@click.option("--indicator", metavar="NAME", help="With --trace: what was read, for its permissible error.")
@click.option(
    "--indicators",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The workshop's indicators.",
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
@click.option("--technician", metavar="NAME", help="Only opened by this technician.")
@click.option("--wheel", metavar="POSITION", help="Only this wheel position.")
@click.option("--part", help="Only with this part fitted.")
@click.option("--lot", help="Only with this lot fitted.")
@click.option("--last", type=click.IntRange(min=1), default=20, show_default=True)
@data_option
@json_option
def list_jobs(data: Path, as_json: bool, wheel: str | None, **wanted: Any) -> None:
    """List jobs, the newest first, a line for each wheel end."""
    from analysis.record import parse_wheel
    from capture.jobs import jobs_in

    with jobs_in(data) as jobs:
        rows = jobs.latest(wheel=parse_wheel(wheel) if wheel else None, **wanted)
    for row in rows:
        _say(row, "  ".join("-" if value is None else str(value) for value in row.values()), as_json)


@command.command("history")
@click.option(
    "--within",
    default="20000 km",
    show_default=True,
    metavar="DISTANCE",
    help="The same wheel end again within this mileage is a comeback.",
)
@click.option(
    "--indicators",
    "indicators_file",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The workshop's indicators, to see which are due for calibration.",
)
@data_option
@json_option
def history(within: str, indicators_file: Path | None, data: Path, as_json: bool) -> None:
    """Tell the share of `over` after repair per part and lot, comebacks, and calibrations due."""
    from capture.jobs import calibrations_due, jobs_in, parse_odometer_km

    within_km = parse_odometer_km(within, where="--within")
    with jobs_in(data) as jobs:
        parts, comebacks = jobs.by_part(), jobs.comebacks(within_km)
    due = calibrations_due(indicators_file) if indicators_file is not None else ()
    for row in parts:
        ends = "1 wheel end" if row["wheel_ends"] == 1 else f"{row['wheel_ends']} wheel ends"
        text = (
            f"part {row['part']} lot {row['lot'] or '-'}: {ends}, {row['share_over']:.0%} over after repair"
        )
        _say({"what": "part", **row}, text, as_json)
    for row in comebacks:
        text = f"comeback {row['vin']} {row['wheel']} after {row['distance_km']:.0f} km"
        _say(
            {"what": "comeback", **row}, f"{text}: part {row['part'] or '-'} lot {row['lot'] or '-'}", as_json
        )
    for row in due:
        text = f"calibration of {row['indicator']} was due on {row['due']}"
        _say({"what": "calibration due", **row}, text, as_json)


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
