"""``hubproof study``: how much of what is read comes from the indicator and who holds it."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import json_option
from capture.commands.study_walk import begin, enter, finish, list_studies, show, walk
from config.errors import InputError
from config.sizes import mm_of

if TYPE_CHECKING:
    from analysis.gauge_study import StudyReading

UM_PER_UNIT = {"mm": 1000.0, "um": 1.0, "in": 25400.0}
NAMES = ("part", "technician", "trial")
NOT_GOOD = 1


@click.group(short_help="Study how far readings repeat between trials and technicians.")
def command() -> None:
    """Study the measuring system: every technician measures every part the same number of times.

    Begin a study and walk through its plan, trial by trial; stop and take it up again as you like. With
    one technician it is the short form: repeatability alone. Or judge a table measured elsewhere.
    """


@command.command("judge", short_help="Judge a study from a CSV FILE.")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--unit", type=click.Choice(tuple(UM_PER_UNIT)), help="Of a column named value alone.")
@click.option("--limit", "limit_text", metavar="LENGTH", help="Upper limit of the measured quantity.")
@json_option
def judge(file: Path, unit: str | None, limit_text: str | None, as_json: bool) -> int:
    """Judge a crossed study from a CSV FILE with part, technician, trial and value_mm, value_um or value_in.

    Told twice, by average and range and by analysis of variance.

    Exit status: 1 when the measuring system is not good enough, 2 when the file cannot be used.
    """
    from analysis.gauge_study import analysis_of_variance, average_and_range, crossed
    from capture.commands.study_walk import show_results

    limit_um = None if limit_text is None else mm_of(limit_text, "--limit") * 1000.0
    if limit_um is not None and limit_um <= 0.0:
        raise InputError(f"{limit_text!r} is not above zero", where="--limit", expected="a length above zero")
    table = crossed(read_study(file, unit))
    studies = (average_and_range(table, limit_um=limit_um), analysis_of_variance(table, limit_um=limit_um))
    return show_results(studies, as_json)


@command.command("plan", short_help="Print a table to fill in elsewhere.")
@click.option("--technician", "technicians", multiple=True, required=True, help="May be repeated.")
@click.option("--part", "parts", multiple=True, required=True, help="May be repeated.")
@click.option("--trials", type=int, default=3, show_default=True)
@click.option("--seed", type=int, default=0, show_default=True, help="Of the order.")
@json_option
def print_plan(
    technicians: tuple[str, ...], parts: tuple[str, ...], trials: int, seed: int, as_json: bool
) -> None:
    """Print a table to fill in elsewhere, in an order that hides the part, as CSV."""
    from analysis.gauge_study import plan

    steps = plan(technicians, parts, trials, seed=seed)
    if as_json:
        import json

        for step in steps:
            told = {"part": step.part, "technician": step.technician, "trial": step.trial}
            click.echo(json.dumps(told, ensure_ascii=False))
        return
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow((*NAMES, "value_mm"))
    writer.writerows((step.part, step.technician, step.trial, "") for step in steps)
    click.echo(out.getvalue(), nl=False)


def read_study(path: Path, unit: str | None) -> list[StudyReading]:
    """The readings of a study's CSV file.

    Raises:
        InputError: names the file and the line: a column missing, a value that is no number, no unit.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(
            f"cannot be read: {error.strerror}", where=str(path), expected="a study's CSV file"
        ) from error
    except UnicodeDecodeError as error:
        raise InputError(
            "is not UTF-8 text", where=str(path), expected="UTF-8", do="save it as 'CSV UTF-8'"
        ) from error
    rows = csv.DictReader(io.StringIO(text))
    names = [name.strip() for name in rows.fieldnames or ()]
    rows.fieldnames = names
    column, scale = _value_column(names, unit, str(path))
    return [_reading(row, column, scale, f"{path}, line {rows.line_num}") for row in rows]


def _value_column(names: list[str], unit: str | None, where: str) -> tuple[str, float]:
    expected = "part, technician, trial, and one of value_mm, value_um, value_in"
    missing = [name for name in NAMES if name not in names]
    found = [name for name in names if name == "value" or name.removeprefix("value_") in UM_PER_UNIT]
    if missing or len(found) != 1:
        lacks = ", ".join(missing) or ("two values" if found else "no value")
        raise InputError(f"the header cannot be used ({lacks})", where=where, expected=expected)
    if found[0] != "value":
        if unit is not None:
            raise InputError(f"{found[0]} has its unit already", where="--unit", do="leave it out")
        return found[0], UM_PER_UNIT[found[0].removeprefix("value_")]
    if unit is None:
        raise InputError("the column value has no unit", where=where, expected="value_mm, or --unit mm")
    return "value", UM_PER_UNIT[unit]


def _reading(row: dict[str, Any], column: str, scale: float, where: str) -> StudyReading:
    from analysis.gauge_study import StudyReading

    part, technician, trial, value = ((row[name] or "").strip() for name in (*NAMES, column))
    if not part or not technician:
        raise InputError("names no part or no technician", where=where)
    try:
        return StudyReading(technician, part, int(trial), float(value) * scale)
    except ValueError as error:
        raise InputError(
            f"trial {trial!r}, {column} {value!r}",
            where=where,
            expected="a whole number and a number with a decimal point",
        ) from error


for each in (begin, walk, enter, finish, show, list_studies):
    command.add_command(each)
