"""``hubproof runs``: what was kept."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import SHORT_ID, data_option, existing_database, json_option

if TYPE_CHECKING:
    from analysis.record import RunRecord, RunSummary

KINDS = ("rest", "endplay", "runout", "bore", "trace")


@click.group(short_help="List the runs that were kept, or show one.")
def command() -> None:
    """List the runs that were kept, or show one."""


@command.command("list")
@click.option("--kind", type=click.Choice(KINDS), help="Only runs of this kind.")
@click.option("--wheel", metavar="POSITION", help="Only runs of this wheel: front left, FL, rear right …")
@click.option("--last", type=click.IntRange(min=1), default=20, show_default=True, help="How many.")
@data_option
@json_option
def list_runs(kind: Any, wheel: str | None, last: int, data: Path, as_json: bool) -> None:
    """List runs, the newest first."""
    from analysis.record import Store, parse_wheel

    position = parse_wheel(wheel) if wheel else None
    with Store.open(existing_database(data)) as store:
        runs = store.runs(kind=kind, wheel=position, last=last)
    if as_json:
        _print_json(*runs)
    else:
        _show_list(runs)


@command.command("show")
@click.argument("run")
@data_option
@json_option
def show_run(run: str, data: Path, as_json: bool) -> None:
    """Show one run: RUN is its id, the beginning of it, or 'last'."""
    from analysis.record import Store

    with Store.open(existing_database(data)) as store:
        record = store.run(run)
    if as_json:
        _print_json(record)
    else:
        _show_run(record)


def _print_json(*records: RunSummary | RunRecord) -> None:
    import json
    from dataclasses import asdict

    for record in records:
        click.echo(json.dumps(asdict(record), ensure_ascii=False))


def _show_list(runs: tuple[RunSummary, ...]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    if not runs:
        click.echo("no run was kept yet")
        return
    table = Table("run", "started (UTC)", "kind", "readings", "found", "verdict", box=None, pad_edge=False)
    for run in runs:
        found = "-" if run.value_mm is None else f"{run.value_mm:.4f} mm"
        verdict = run.verdict or ("" if run.state == "done" else run.state)
        started = run.started_utc[:19].replace("T", " ")
        row = (run.id[:SHORT_ID], started, run.kind, str(run.readings), found, verdict)
        table.add_row(*map(Text, row))
    Console().print(table)


def _show_run(record: RunRecord) -> None:
    summary = record.summary
    lines = [
        ("run", summary.id),
        ("started", summary.started_utc),
        ("kind", f"{summary.kind}, {summary.state}"),
        ("duration", "-" if summary.duration_s is None else f"{summary.duration_s:.3f} s"),
        ("indicator", summary.indicator or "-"),
        ("wheel", ", ".join(filter(None, (summary.wheel, summary.stage))) or "-"),
        (
            "readings",
            f"{summary.readings}, of these {summary.rejected} rejected, {record.unread} without a value",
        ),
        ("marks", str(len(record.marks_s))),
    ]
    for name, value in lines:
        click.echo(f"{name:<10} {value}")
    for event in record.events:
        click.echo(f"{'event':<10} {event.time_s:.3f} s  {event.code}: {event.text}")
    if record.results:
        _show_result(summary.kind, record.results[-1])


def _show_result(kind: str, stored: Mapping[str, Any]) -> None:
    from rich.console import Console

    from analysis.schemas import RESULTS
    from capture.terminal import show_figures

    result: Any = RESULTS[kind].model_validate(stored)
    show_figures(Console(highlight=False), result)
