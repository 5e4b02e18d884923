"""``hubproof export``: a run as a trace file."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.options import data_option, existing_database

if TYPE_CHECKING:
    from analysis.record import RunRecord


@click.command(short_help="Write a run as a trace file.")
@click.argument("run")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="File to write, instead of the terminal.",
)
@data_option
def command(run: str, out: Path | None, data: Path) -> None:
    """Write a run as a trace file.

    RUN is its id, the beginning of it, or 'last'. The file is CSV; reading it back gives the very same
    trace. Readings that were rejected are in it with the reason in the column flag.
    """
    from analysis.record import Store
    from analysis.trace_file import write_trace, write_trace_file

    with Store.open(existing_database(data)) as store:
        record = store.run(run)
        trace = store.trace(record.summary.id)
    comments = describe(record)
    if out is None:
        text = io.StringIO(newline="")
        write_trace(trace, text, comments)
        click.echo(text.getvalue().encode(), nl=False)
    else:
        write_trace_file(trace, out, comments)
        click.echo(f"{len(trace)} readings written to {out}", err=True)


def describe(record: RunRecord) -> list[str]:
    """What the comment lines of an exported run say."""
    summary, indicator = record.summary, record.indicator
    number = indicator.get("serial_number")
    lines = [
        f"run {summary.id} ({summary.kind}, {summary.state})",
        f"started {summary.started_utc}",
        f"indicator {summary.indicator or 'unknown'}" + (f", serial number {number}" if number else ""),
    ]
    if summary.wheel:
        lines.append(f"wheel {summary.wheel}" + (f", {summary.stage}" if summary.stage else ""))
    if record.unread:
        lines.append(f"{record.unread} rejected lines without a value are kept in the database only")
    return lines
