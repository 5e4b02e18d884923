"""The steps of a job as commands: recorded, skipped, decided on, and the job closed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.job_options import PATH, TECHNICIAN, WHEEL, say
from capture.commands.options import data_option, existing_folder, indicators_option, json_option

if TYPE_CHECKING:
    from capture.messages import RunRequest


@click.command("step")
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
    """Record the ANSWER of a STEP; of a photo it is the file. A fit or a clocking is worked out.

    Exit status 1 when the answer stops the job until it is put right.
    """
    from capture.jobs import jobs_in, path_of, take_step

    with jobs_in(existing_folder(data)) as jobs:
        taken = take_step(jobs, path_of(data, path_file), given, data=data)
    answer = taken.answer
    told = {"step": given["step"], "answer": answer.text, "problem": answer.problem, "notice": taken.notice}
    say(told, answer.text, as_json)
    if taken.notice:
        click.echo(f"step {given['step']!r}: {taken.notice}", err=True)
    if answer.problem:
        click.echo(f"step {given['step']!r}: {answer.problem}", err=True)
        return 1
    return 0


@click.command("measure", short_help="Measure a STEP with the indicator and record it.")
@click.argument("job")
@click.argument("step")
@click.option("--indicator", metavar="NAME", help="Which one; may be left out when one is connected.")
@click.option("--turns", type=click.FloatRange(1, 100), help="Of a run-out.")
@click.option("--strokes", type=click.IntRange(1, 100), help="Of end play.")
@WHEEL
@TECHNICIAN
@PATH
@indicators_option
@data_option
@json_option
def measure(
    data: Path, as_json: bool, path_file: Path | None, indicators_file: Path | None, **given: Any
) -> int:
    """Measure a STEP with the indicator and record it: by the running daemon, else in this process.

    Exit status 1 when what was found stops the job until it is put right.
    """
    import asyncio

    from rich.console import Console

    from capture.commands.measure import measure_once
    from capture.job_measure import run_request
    from capture.jobs import jobs_in, path_of, take_step

    steps = path_of(data, path_file)
    with jobs_in(existing_folder(data)) as jobs:
        request = run_request(jobs, steps, given)
    outcome = asyncio.run(measure_once(request, data, indicators_file, None, Console(stderr=as_json)))
    with jobs_in(existing_folder(data)) as jobs:
        taken = take_step(jobs, steps, {**given, "run": outcome.run}, data=data)
    answer = taken.answer
    told = {"step": given["step"], "run": outcome.run, "answer": answer.text, "problem": answer.problem}
    say(told, answer.text, as_json)
    if answer.problem:
        click.echo(f"step {given['step']!r}: {answer.problem}", err=True)
    return 1 if answer.problem else 0


@click.command("skip")
@click.argument("job")
@click.argument("step")
@click.option("--reason", default="", help="Why; needed.")
@WHEEL
@TECHNICIAN
@PATH
@data_option
@json_option
def skip(data: Path, as_json: bool, path_file: Path | None, **given: Any) -> None:
    """Skip a STEP, with a reason. What was found wrong cannot be skipped: it is put right."""
    from capture.jobs import jobs_in, path_of, pick
    from config.path import find_step

    with jobs_in(existing_folder(data)) as jobs:
        job, end = pick(jobs, given["job"], given["wheel"])
        step = find_step(path_of(data, path_file), given["step"])
        jobs.skip(job, end, step, given["reason"], given["technician"])
    say({"step": given["step"], "skipped": given["reason"]}, f"{given['step']} skipped", as_json)


@click.command("decide")
@click.argument("job", default="last")
@data_option
@json_option
def decide(job: str, data: Path, as_json: bool) -> None:
    """What to do with each part, why, and what to measure next."""
    from analysis.record import Store
    from capture.folder import DATABASE
    from capture.job_view import decisions_of
    from capture.jobs import jobs_in

    with jobs_in(existing_folder(data)) as jobs, Store.open(data / DATABASE) as store:
        told = [line for end in jobs.find(job).wheels for line in decisions_of(end, store)]
    for line in told:
        text = f"{line.wheel}: {line.part}: {line.action}: {' '.join(line.reasons)}"
        more = f" Next: {line.next_measurement}." if line.next_measurement else ""
        say(line.model_dump(mode="json"), text + more, as_json)


@click.command("release")
@click.argument("job")
@PATH
@data_option
@json_option
def release(job: str, path_file: Path | None, data: Path, as_json: bool) -> None:
    """Close a JOB; refused while a step is open."""
    from capture.jobs import jobs_in, path_of

    with jobs_in(existing_folder(data)) as jobs:
        found = jobs.find(job)
        jobs.release(found, path_of(data, path_file))
    say({"job": found.id, "released": True}, f"{found.id} released", as_json)


@click.command("stop")
@click.argument("job")
@click.option("--reason", default="", help="Why; needed.")
@TECHNICIAN
@data_option
@json_option
def stop(job: str, reason: str, technician: str, data: Path, as_json: bool) -> None:
    """Close a JOB without releasing the vehicle, with a reason."""
    from capture.jobs import jobs_in

    with jobs_in(existing_folder(data)) as jobs:
        found = jobs.find(job)
        jobs.stop(found, reason, technician)
    say({"job": found.id, "released": False}, f"{found.id} closed, the vehicle not released", as_json)


@click.command("run-file")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@PATH
@indicators_option
@data_option
@json_option
def run_file(
    file: Path, path_file: Path | None, indicators_file: Path | None, data: Path, as_json: bool
) -> int:
    """Take a whole job from one TOML FILE. Exit status 1 when an answer stops the job.

    [job] and [[wheel]] as typed at arrival, then [[step]] in order: step, and one of answer, photo, trace
    or run, measure = true (with the indicator, now), or skip with the reason.
    """
    from capture.job_file import drive
    from capture.jobs import path_of

    def measured(request: RunRequest) -> str:
        import asyncio

        from rich.console import Console

        from capture.commands.measure import measure_once

        console = Console(stderr=as_json)
        return asyncio.run(measure_once(request, data, indicators_file, None, console)).run

    status = 0
    for line in drive(file, path_of(data, path_file), data, measured):
        status = max(status, 1 if line.get("problem") else 0)
        text = (
            f"{line['wheel']}: {line['step']}: {line['answer']}" if "step" in line else f"job {line['job']}"
        )
        say(line, text + (f"  ! {line['problem']}" if line.get("problem") else ""), as_json)
    return status
