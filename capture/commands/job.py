"""``hubproof job``: a vehicle's visit, from its arrival to its release."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.job_history import history, list_jobs
from capture.commands.job_move import export, import_file
from capture.commands.job_options import PATH, TECHNICIAN, pairs, say
from capture.commands.job_steps import decide, measure, record_step, release, run_file, skip, stop
from capture.commands.options import data_option, existing_folder, json_option

__all__ = ["PATH", "command"]

if TYPE_CHECKING:
    from capture.job_models import FigureOut, JobView, WheelOut


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
@click.option("--customer", default="", metavar="NAME", help="Leaves only in a claim --with-customer.")
@click.option("--plate", default="", help="Number plate; leaves only in a claim --with-customer.")
@click.option(
    "--torque", metavar="TORQUE", help="Hub nut torque of the vehicle maker: '180 N m', '133 lbf ft'."
)
@click.option(
    "--limit",
    "limits",
    multiple=True,
    metavar="QUANTITY=LENGTH",
    help="Of runout, endplay, bore or disc, such as runout='0.05 mm'.",
)
@click.option("--source", default="", help="Where torque and limits are from.")
@click.option("--bearing", type=click.Choice(["ball", "tapered", "not known"]), default="not known")
@click.option(
    "--encoder", type=click.Choice(["inner side", "outer side", "none", "not known"]), default="not known"
)
@click.option("--old-part", default="", help="Part number of the bearing found.")
@click.option("--old-lot", default="", help="Its lot.")
@click.option("--part", default="", help="Part number of the bearing to fit.")
@click.option("--lot", default="", help="Its lot.")
@click.option(
    "--size",
    "sizes",
    multiple=True,
    metavar="NAME=VALUE",
    help="What bore, fit and disc are worked out with: size='74 mm', bore=N7, ring=normal, wall='96 mm',"
    " width='40 mm', ring_inner, bearing_bore, knuckle='cast iron', friction=0.12, contact_angle=35,"
    " setting_ring='74.002 mm +- 0.001 mm', directions=4, depths=2, studs=5, flange_radius, disc_radius.",
)
@data_option
@json_option
def open_job(data: Path, as_json: bool, wheels: tuple[str, ...], **given: Any) -> None:
    """Open a job. Wheel ends that differ in limits or parts are opened from a file: see run-file."""
    from capture.jobs import JOB_WORDS, begin, jobs_in

    limits = pairs(given["limits"], "limit", "--limit", "runout='0.05 mm'")
    sizes = pairs(given["sizes"], "size", "--size", "size='74 mm'")
    same = {name: given[name] for name in ("bearing", "encoder", "torque", "source", "old_part", "old_lot")}
    end = {**same, "new_part": given["part"], "new_lot": given["lot"], "limits": limits, "sizes": sizes}
    sheet = {name: given[name] for name in JOB_WORDS}
    with jobs_in(data) as jobs:
        job_id, warnings = begin(jobs, sheet, [{"wheel": wheel, **end} for wheel in wheels])
    for warning in warnings:
        click.echo(warning, err=True)
    say({"job": job_id, "warnings": list(warnings)}, job_id, as_json)


@command.command("show", short_help="Show a JOB and what comes next.")
@click.argument("job", default="last")
@PATH
@data_option
@json_option
def show(job: str, path_file: Path | None, data: Path, as_json: bool) -> None:
    """Show a JOB (id, its beginning, a VIN, or 'last'): what was recorded and what comes next."""
    from analysis.record import Store
    from capture.folder import DATABASE
    from capture.job_view import view
    from capture.jobs import jobs_in, path_of

    steps = path_of(data, path_file)
    with jobs_in(existing_folder(data)) as jobs, Store.open(data / DATABASE) as store:
        told = view(jobs.find(job), steps, store)
    if as_json:
        click.echo(told.model_dump_json())
    else:
        _show(told)


@command.command("path", short_help="List the steps of a job.")
@PATH
@data_option
@json_option
def show_path(path_file: Path | None, data: Path, as_json: bool) -> None:
    """List the steps of a job: what to do, the caution that belongs to it, and what is recorded."""
    from capture.job_view import step_out
    from capture.jobs import path_of

    stage = ""
    for step in path_of(data, path_file):
        told = step_out(step)
        if not as_json and told.stage != stage:
            stage = told.stage
            click.echo(f"\n{stage}")
        answers = f" [{', '.join(told.answers)}]" if told.answers and not told.found_out else ""
        text = f"  {told.step:<20} {told.do}{answers}"
        say(told.model_dump(), f"{text}\n{'':<23}caution: {told.caution}" if told.caution else text, as_json)


def _show(told: JobView) -> None:
    click.echo(f"job {told.id}, {told.state}: {told.vehicle or '-'} {told.vin or ''}".rstrip())
    if told.customer or told.plate:
        click.echo(f"customer {told.customer!r}, plate {told.plate!r}")  # quoted: typed by anybody
    for end in told.wheels:
        click.echo(f"\n{end.wheel}")
        _show_entries(end)
        for line in end.before_after:
            click.echo(
                f"{line.quantity}: as found {_figure(line.before)}; after repair {_figure(line.after)}"
            )
            if line.change:
                click.echo(f"  {line.change.text}")
        if end.fit:
            click.echo(f"fit: {end.fit['verdict']}: {end.fit['why']}")
        if end.clocking:
            by, figure = end.clocking["turn_by_studs"], end.clocking["predicted_mm"]
            again = end.clocking["again_mm"]
            then = "" if again is None else f", then measured {again:.4f} mm"
            click.echo(f"disc: turn on by {by} stud(s), predicted {figure:.4f} mm{then}")
        required = [step for step in end.next if not step.optional or step.state == "wrong"]
        for step in required[:1]:
            click.echo(f"next: {step.step}: {step.do}")
            if step.caution:
                click.echo(f"      caution: {step.caution}")
            if step.answers and not step.found_out:
                click.echo(f"      answers: {', '.join(step.answers)}")


def _show_entries(end: WheelOut) -> None:
    for entry in end.entries:
        mark = "!" if entry.problem else ("-" if entry.what == "skip" else " ")
        click.echo(f"{mark} {entry.step:<16} {entry.answer}  ({entry.technician})")
        if entry.problem:
            click.echo(f"  {'':<16} {entry.problem}")


def _figure(told: FigureOut | None) -> str:
    if told is None:
        return "not measured"
    if told.value_mm is None:
        return str(told.verdict or "no figure")
    spread = "" if told.expanded_mm is None else f" ± {told.expanded_mm:.4f}"
    limit = "" if told.limit_mm is None else f" (limit {told.limit_mm:.4f} mm: {told.verdict})"
    return f"{told.value_mm:.4f}{spread} mm{limit}"


for each in (
    record_step,
    measure,
    skip,
    decide,
    release,
    stop,
    run_file,
    list_jobs,
    history,
    export,
    import_file,
):
    command.add_command(each)
