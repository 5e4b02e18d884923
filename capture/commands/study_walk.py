"""A study walked through: planned, each trial measured or typed, taken up again, and judged at the end."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.job_options import say
from capture.commands.options import (
    data_option,
    existing_folder,
    indicators_option,
    json_option,
    station_indicators,
)
from config.errors import InputError

if TYPE_CHECKING:
    from analysis.gauge_study import Study
    from analysis.record.studies import StudyRecord

NOT_GOOD, LEFT = 1, 3
STOP_WORDS = ("", "q", "quit", "stop")


@click.command("begin", short_help="Plan a study.")
@click.option("--indicator", required=True, metavar="NAME", help="Which instrument is studied.")
@click.option(
    "--quantity",
    required=True,
    metavar="WHAT",
    help="runout, endplay or bore, which the station measures; or another length, which is typed.",
)
@click.option("--technician", "technicians", multiple=True, required=True, help="One: the short form.")
@click.option("--part", "parts", multiple=True, required=True, help="May be repeated.")
@click.option("--trials", type=int, default=3, show_default=True)
@click.option("--limit", metavar="LENGTH", help="Upper limit of the quantity.")
@click.option("--seed", type=int, default=0, show_default=True, help="Of the order of the parts.")
@indicators_option
@data_option
@json_option
def begin(data: Path, as_json: bool, indicators_file: Path | None, **given: Any) -> None:
    """Plan a study: in each trial each technician takes all parts, shuffled anew so that none is known."""
    from capture.studies import begin_study, studies_in, told

    described = {one.name: one.serial_number for one in station_indicators(data, indicators_file)}
    if described and given["indicator"] not in described:
        raise InputError(
            f"no indicator is named {given['indicator']!r}",
            where="--indicator",
            expected="one of: " + ", ".join(described),
        )
    given["serial_number"] = described.get(given["indicator"], "")
    with studies_in(data) as studies:
        study = begin_study(studies, given)
    say(told(study), f"{study.id}: {len(study.plan)} measurements; next: {step_words(study)}", as_json)


@click.command("walk", short_help="Walk through a STUDY from where it was left.")
@click.argument("study", default="last")
@click.option("--typed", is_flag=True, help="Type every value, also of a quantity that the station measures.")
@indicators_option
@data_option
@json_option
def walk(study: str, typed: bool, indicators_file: Path | None, data: Path, as_json: bool) -> int:
    """Walk through a STUDY from where it was left: says whose turn it is with which part, then measures.

    A value is typed with its unit; an empty line stops, and the same command takes the study up again.

    Exit status: 0 good (or with care), 1 not good, 3 stopped before the end.
    """
    from capture.studies import MEASURED, studies_in

    with studies_in(existing_folder(data)) as studies:
        record = studies.find(study)
        if record.results:
            raise InputError(f"study {record.id} is finished", do="begin a new one")
        by_hand = typed or record.sheet.quantity not in MEASURED
        while not record.complete:
            click.echo(f"{step_words(record)}, {len(record.to_do)} left", err=True)
            found = _typed_nm() if by_hand else _measured_nm(record, data, indicators_file)
            if found is None:
                told = {"study": record.id, "left": len(record.to_do)}
                say(told, f"{told['left']} left; take it up again with 'study walk'", as_json)
                return LEFT
            record = studies.measured(record, record.to_do[0], found[0], run=found[1])
        return show_results(studies.finish(record), as_json)


def step_words(study: StudyRecord) -> str:
    """Whose turn it is with which part."""
    if study.complete:
        return "finish it"
    step = study.to_do[0]
    return f"{step.technician}: part {step.part}, trial {step.trial}"


def _typed_nm() -> tuple[int, str | None] | None:
    """A value typed with its unit, asked for again until it is one; None to stop."""
    from config.lengths import parse_length_nm

    while (line := _line("value with its unit (empty to stop): ")) is not None:
        try:
            return parse_length_nm(line, where="value"), None
        except InputError as error:
            click.echo(error.line(), err=True)
    return None


def _measured_nm(
    study: StudyRecord, data: Path, indicators_file: Path | None
) -> tuple[int, str | None] | None:
    """A run of the studied quantity with the studied indicator; None to stop. Without a figure: again."""
    import asyncio

    from rich.console import Console

    from capture.commands.measure import measure_once
    from capture.messages import RunRequest
    from capture.studies import run_value

    while _line("enter when ready (q to stop): ", empty_stops=False) is not None:
        request = RunRequest.model_validate(
            {"kind": study.sheet.quantity, "indicator": study.sheet.indicator, "unjudged": True}
        )
        outcome = asyncio.run(measure_once(request, data, indicators_file, None, Console(stderr=True)))
        try:
            run, value_nm = run_value(study, outcome.run, data)
            return value_nm, run
        except InputError as error:
            click.echo(error.line(), err=True)
    return None


def _line(prompt: str, *, empty_stops: bool = True) -> str | None:
    """A line from the technician, or from a script; None to stop."""
    click.echo(prompt, nl=False, err=True)
    line = sys.stdin.readline()
    plain = line.strip()
    ended = not line or plain.lower() in STOP_WORDS
    return None if ended and (empty_stops or plain or not line) else plain


@click.command("enter", short_help="Keep a VALUE or a run for the next step.")
@click.argument("study")
@click.argument("value", required=False)
@click.option("--run", metavar="RUN", help="An ended run of the studied quantity, instead of a VALUE.")
@click.option("--technician", help="With --part and --trial: another step than the next, or one again.")
@click.option("--part")
@click.option("--trial", type=int)
@data_option
@json_option
def enter(study: str, data: Path, as_json: bool, **given: Any) -> None:
    """Keep a VALUE with its unit, or a run, for the next step of a STUDY."""
    from capture.studies import enter as keep
    from capture.studies import studies_in, told

    with studies_in(existing_folder(data)) as studies:
        record = keep(studies, studies.find(study), given, data=data)
    say(told(record), f"{len(record.to_do)} left; next: {step_words(record)}", as_json)


@click.command("finish")
@click.argument("study", default="last")
@data_option
@json_option
def finish(study: str, data: Path, as_json: bool) -> int:
    """Judge a complete STUDY and keep its results with the indicator. Exit status 1 when it is not good."""
    from capture.studies import studies_in

    with studies_in(existing_folder(data)) as studies:
        return show_results(studies.finish(studies.find(study)), as_json)


@click.command("show", short_help="Show a STUDY and what comes next.")
@click.argument("study", default="last")
@data_option
@json_option
def show(study: str, data: Path, as_json: bool) -> None:
    """Show a STUDY: how far it is, what comes next, and its results."""
    from capture.studies import studies_in, told

    with studies_in(existing_folder(data)) as studies:
        record = studies.find(study)
    line = told(record)
    say(line, _study_words(line), as_json)
    for result in record.results if not as_json else ():
        click.echo(f"  {result['method']}: {result['fit_for_use']}, GRR {result['combined_mm']:.5f} mm")


@click.command("list", short_help="List studies, the newest first.")
@click.option("--last", type=click.IntRange(min=1), default=20, show_default=True)
@data_option
@json_option
def list_studies(last: int, data: Path, as_json: bool) -> None:
    """List studies, the newest first, with the indicator that each is kept with."""
    from capture.studies import studies_in, told

    with studies_in(existing_folder(data)) as studies:
        records = studies.latest(last)
    if not records and not as_json:
        click.echo("no study was begun yet")
    for record in records:
        line = told(record)
        say(line, _study_words(line), as_json)


def _study_words(line: dict[str, Any]) -> str:
    state = line["results"][-1]["fit_for_use"] if line["results"] else f"{line['done']} of {line['steps']}"
    who = f"{line['indicator']} {line['serial_number']}".strip()
    return f"{line['study']}  {line['begun_utc'][:10]}  {who}  {line['quantity']}  {line['form']}: {state}"


def show_results(studies: Sequence[Study], as_json: bool) -> int:
    """Both evaluations; the exit status."""
    from analysis.record.studies import study_told
    from capture.studies import is_good

    for study in studies:
        if as_json:
            say(study_told(study), None, as_json)
        else:
            _show(study)
    return 0 if is_good(tuple(studies)) else NOT_GOOD


def _show(study: Study) -> None:
    head = f"{study.technicians} technician(s) x {study.parts} part(s) x {study.trials} trials"
    click.echo(f"{study.method}, {head}: {study.fit_for_use}")
    for name, value_um in (
        ("repeatability (EV)", study.repeatability_um),
        ("reproducibility (AV)", study.reproducibility_um),
        ("both (GRR)", study.combined_um),
        ("parts (PV)", study.part_um),
        ("total (TV)", study.total_um),
    ):
        figure = "cannot be told" if value_um is None else f"{value_um / 1000:.5f} mm"
        click.echo(f"  {name:<22} {figure}")
    for name, percent in (("of the total", study.percent_of_total), ("of the limit", study.percent_of_limit)):
        if percent is not None:
            click.echo(f"  GRR {name:<18} {percent:.2f} %")
    if study.categories is not None:
        click.echo(f"  distinct categories    {study.categories}")
    for technician, part in study.outside:
        click.echo(f"  range out of control: technician {technician}, part {part}; measure these again")
