"""Results as a table for the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.record.results import judged_mm
from analysis.results import EndplayResult, Judged, RunoutResult
from analysis.results_bore import BoreResult
from capture.counted import counted

MM_PER_INCH = 25.4
NO_FIGURE = "-"
STYLES = {"within": "green", "over": "bold red", "undecided": "yellow", "not measurable": "magenta"}


def show_results(results: Sequence[Judged], console: Console | None = None) -> None:
    """Print one row a result, then the reasons of each; mm with inches below."""
    console = console or Console()
    table = Table(
        "file", "seen", "found", "± (95 %)", "limit", "verdict", "points to", box=None, pad_edge=False
    )
    for result in results:
        table.add_row(*_row(result))
    console.print(table)
    for result in results:
        if isinstance(result, BoreResult) and result.diameter_mm is not None:
            console.print(Text(f"{_name(result)}: {_size(result)}"))
        for reason in result.reasons:
            console.print(Text(f"{_name(result)}: {reason.text}"))


def _row(result: Judged) -> tuple[Text, ...]:
    uncertainty, limit = result.uncertainty_mm, result.limit_mm
    verdict = result.verdict or "no limit"
    points_to = "\n".join(dict.fromkeys(pointer.part for pointer in result.points_to))
    return (
        Text(_name(result)),
        Text(_seen(result)),
        Text(both_units(judged_mm(result))),
        Text(both_units(uncertainty.expanded if uncertainty else None)),
        Text(both_units((limit.max or limit.good_up_to) if limit else None)),
        Text(verdict, style=STYLES.get(verdict, "")),
        Text(points_to or NO_FIGURE),
    )


def _name(result: Judged) -> str:
    return Path(result.file).name if result.file else "trace"


def _seen(result: Judged) -> str:
    if isinstance(result, RunoutResult):
        total = result.turns.total
        return "no turns" if total is None else f"{total:.2f} turns"
    if isinstance(result, EndplayResult):
        return counted(len(result.strokes), "stroke")
    return counted(result.readings.used, "reading")


def _size(result: BoreResult) -> str:
    spread = "" if result.diameter_standard_mm is None else f" ± {2 * result.diameter_standard_mm:.4f}"
    verdict = "" if result.size_verdict is None else f": {result.size_verdict}"
    return f"mean diameter {result.diameter_mm:.4f}{spread} mm at 20 °C{verdict}"


def both_units(value_mm: float | None) -> str:
    """Millimetres, and inches on a second line; a dash for a figure that could not be had."""
    if value_mm is None:
        return NO_FIGURE
    return f"{value_mm:.4f} mm\n{value_mm / MM_PER_INCH:.5f} in"
