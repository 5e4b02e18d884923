"""``hubproof study``: how much of what is read comes from the indicator and who holds it."""

from __future__ import annotations

import csv
import io
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import json_option
from config.errors import InputError
from config.sizes import mm_of

if TYPE_CHECKING:
    from analysis.gauge_study import Study, StudyReading

UM_PER_UNIT = {"mm": 1000.0, "um": 1.0, "in": 25400.0}
NAMES = ("part", "technician", "trial")
NOT_GOOD = 1


@click.command(short_help="Study how far readings repeat between trials and technicians.")
@click.argument("file", required=False, type=click.Path(dir_okay=False, path_type=Path))
@click.option("--unit", type=click.Choice(tuple(UM_PER_UNIT)), help="Of a column named value alone.")
@click.option("--limit", "limit_text", metavar="LENGTH", help="Upper limit of the measured quantity.")
@click.option("--plan", is_flag=True, help="Print a table to fill in, in an order that hides the part.")
@click.option("--technician", "technicians", multiple=True, help="For --plan; may be repeated.")
@click.option("--part", "parts", multiple=True, help="For --plan; may be repeated.")
@click.option("--trials", type=int, default=3, show_default=True, help="For --plan.")
@click.option("--seed", type=int, default=0, show_default=True, help="For --plan: of the order.")
@json_option
def command(
    file: Path | None,
    unit: str | None,
    limit_text: str | None,
    plan: bool,
    as_json: bool,
    **planned: Any,
) -> int:
    """Judge a crossed study from a CSV FILE with part, technician, trial and value_mm, value_um or value_in.

    Every technician measures every part the same number of times. With one technician it is the short form:
    repeatability alone. Told twice, by average and range and by analysis of variance.

    Exit status: 1 when the measuring system is not good enough, 2 when the file cannot be used.
    """
    if plan == (file is not None):
        raise click.UsageError("give a FILE, or --plan with its --technician and --part")
    if file is None:
        _print_plan(**planned)
        return 0
    from analysis.gauge_study import analysis_of_variance, average_and_range, crossed

    limit_um = None if limit_text is None else mm_of(limit_text, "--limit") * 1000.0
    if limit_um is not None and limit_um <= 0.0:
        raise InputError(f"{limit_text!r} is not above zero", where="--limit", expected="a length above zero")
    table = crossed(read_study(file, unit))
    studies = (average_and_range(table, limit_um=limit_um), analysis_of_variance(table, limit_um=limit_um))
    for study in studies:
        if as_json:
            import json

            click.echo(json.dumps(_told(study), ensure_ascii=False))
        else:
            _show(study)
    return NOT_GOOD if any(study.fit_for_use == "not good" for study in studies) else 0


def _print_plan(technicians: tuple[str, ...], parts: tuple[str, ...], trials: int, seed: int) -> None:
    from analysis.gauge_study import plan

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow((*NAMES, "value_mm"))
    writer.writerows(
        (step.part, step.technician, step.trial, "") for step in plan(technicians, parts, trials, seed=seed)
    )
    click.echo(out.getvalue(), nl=False)


def read_study(path: Path, unit: str | None) -> list[StudyReading]:
    """The readings of a study's CSV file.

    Raises:
        InputError: names the file and the line: a column missing, a value that is no number, no unit.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("cannot be read", where=str(path), expected="a CSV file in UTF-8") from error
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


def _told(study: Study) -> dict[str, Any]:
    """The study with lengths in mm; squares of the table in mm2."""
    told: dict[str, Any] = {}
    for name, value in asdict(study).items():
        if name.endswith("_um"):
            told[f"{name.removesuffix('_um')}_mm"] = None if value is None else value / 1000.0
        elif name != "table":
            told[name] = value
    told["table"] = [
        {
            "source": row.source,
            "sum_of_squares_mm2": row.sum_of_squares / 1e6,
            "degrees_of_freedom": row.degrees_of_freedom,
            "f": row.f,
            "p": row.p,
        }
        for row in study.table
    ]
    return {**told, "percent_of_total": study.percent_of_total, "fit_for_use": study.fit_for_use}


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
