"""Many jobs as commands: lists, and what they say together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from capture.commands.job_options import say
from capture.commands.options import (
    SHORT_ID,
    data_option,
    existing_folder,
    indicators_option,
    json_option,
    station_indicators,
)


@click.command("list")
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

    with jobs_in(existing_folder(data)) as jobs:
        rows = jobs.latest(wheel=parse_wheel(wheel) if wheel else None, **wanted)
    if as_json:
        for row in rows:
            say(row, "", as_json)
    elif rows:
        _show_list(rows)
    else:
        click.echo("no job was found")


def _show_list(rows: Sequence[Mapping[str, Any]]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False)
    for name in ("job", "opened", "closed", "wheel"):
        table.add_column(name, no_wrap=True)
    for name in ("vehicle", "part"):
        table.add_column(name)
    for row in rows:
        days = [str(row[name] or "-")[:10] for name in ("opened_utc", "closed_utc")]
        vehicle = row["vehicle"] or row["vin"] or "-"
        part = " lot ".join(filter(None, (row["new_part"], row["new_lot"]))) or "-"
        table.add_row(*map(Text, (row["id"][:SHORT_ID], *days, row["wheel"] or "-", vehicle, part)))
    Console().print(table)


@click.command("history", short_help="Tell how often repairs were over, and what came back.")
@click.option(
    "--within",
    default="20000 km",
    show_default=True,
    metavar="DISTANCE",
    help="The same wheel end again within this mileage is a comeback.",
)
@indicators_option
@data_option
@json_option
def history(within: str, indicators_file: Path | None, data: Path, as_json: bool) -> None:
    """Tell the share of `over` after repair per part and lot, comebacks, and calibrations due."""
    from capture.jobs import calibrations_due, jobs_in, parse_odometer_km

    within_km = parse_odometer_km(within, where="--within")
    with jobs_in(existing_folder(data)) as jobs:
        parts, comebacks = jobs.by_part(), jobs.comebacks(within_km)
    for row in parts:
        ends = "1 wheel end" if row["wheel_ends"] == 1 else f"{row['wheel_ends']} wheel ends"
        text = (
            f"part {row['part']} lot {row['lot'] or '-'}: {ends}, {row['share_over']:.0%} over after repair"
        )
        say({"what": "part", **row}, text, as_json)
    for row in comebacks:
        text = f"comeback {row['vin']} {row['wheel']} after {row['distance_km']:.0f} km"
        say(
            {"what": "comeback", **row}, f"{text}: part {row['part'] or '-'} lot {row['lot'] or '-'}", as_json
        )
    dues = calibrations_due(station_indicators(data, indicators_file))
    if not (parts or comebacks or dues or as_json):
        click.echo("no repair was judged yet, and no calibration is due")
    for due in dues:
        text = f"calibration of {due['indicator']} was due on {due['due']}"
        say({"what": "calibration due", **due}, text, as_json)
