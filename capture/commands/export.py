"""``hubproof export``: kept runs in open forms."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import data_option, existing_database
from capture.commands.runs import KINDS
from capture.counted import counted
from config.errors import InputError

if TYPE_CHECKING:
    from analysis.record import RunRecord, Store


@click.command(short_help="Write kept runs as CSV, JSON or Parquet.")
@click.argument("runs", nargs=-1)
@click.option("--from", "since", metavar="DATE", help="All runs from this day on (UTC), such as 2026-01-31.")
@click.option("--to", "until", metavar="DATE", help="All runs up to the end of this day.")
@click.option("--job", metavar="JOB", help="All runs of this job.")
@click.option("--kind", type=click.Choice(KINDS), help="All runs of this kind.")
@click.option(
    "--format", "form", type=click.Choice(["csv", "json", "parquet"]), default="csv", show_default=True
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="File to write, instead of the terminal; of several runs as CSV a folder.",
)
@click.option(
    "--working",
    is_flag=True,
    help="CSV only: with how each figure was worked out, and scripts that need numpy alone to do it again.",
)
@data_option
def command(
    runs: tuple[str, ...],
    since: str | None,
    until: str | None,
    job: str | None,
    kind: Any,
    form: str,
    out: Path | None,
    working: bool,
    data: Path,
) -> None:
    """Write kept RUNS, or all runs of a period, a job or a kind.

    RUNS are ids, beginnings of ids, or 'last'. CSV is the trace file: reading it back gives the very same
    trace; of several runs it is a folder with a trace file and a result for each, a list, and
    datapackage.json that describes every column with its unit. JSON is one object a line and run. Parquet
    is one table of all readings.
    """
    from analysis.record import Store
    from capture.exporting import picked

    asked = (since, until, job, kind) != (None, None, None, None)
    if bool(runs) == asked:
        raise click.UsageError("name RUNS, or a period, job or kind with --from, --to, --job, --kind")
    if working and form != "csv":
        raise click.UsageError("--working goes with --format csv")
    with Store.open(existing_database(data)) as store:
        records = picked(store, runs, since=since, until=until, job=job, kind=kind)
        if form == "csv" and (asked or working or len(runs) > 1):
            _folder(store, records, out, with_working=working)
        elif form == "csv":
            _one(store, records[0], out)
        else:
            _many(store, records, form, out)


def _folder(store: Store, records: list[RunRecord], out: Path | None, *, with_working: bool) -> None:
    from capture.exporting import write_folder

    if out is None:
        raise InputError("what is asked for as CSV is several files", where="--out", do="name a folder")
    write_folder(store, records, out, with_working=with_working)
    click.echo(f"{counted(len(records), 'run')} written to {out}", err=True)


def _one(store: Store, record: RunRecord, out: Path | None) -> None:
    from capture.exporting import trace_csv

    content = trace_csv(store, record)
    if out is None:
        click.echo(content, nl=False)
        return
    try:
        out.write_bytes(content)
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(out)) from error
    click.echo(f"{counted(record.summary.readings - record.unread, 'reading')} written to {out}", err=True)


def _many(store: Store, records: list[RunRecord], form: str, out: Path | None) -> None:
    from capture.exporting import json_lines, parquet_library, write_parquet

    if out is None:
        if form == "parquet":
            raise InputError("Parquet is not for a terminal", where="--out", do="name a file")
        for line in json_lines(store, records):
            click.echo(line, nl=False)
        return
    if form == "parquet":
        parquet_library()  # before a file is begun
    try:
        with out.open("wb") as file:
            if form == "parquet":
                write_parquet(store, records, file)
            else:
                file.writelines(json_lines(store, records))
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(out)) from error
    click.echo(f"{counted(len(records), 'run')} written to {out}", err=True)
