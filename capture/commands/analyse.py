"""``hubproof analyse``: trace files in, verdicts out; no daemon, no database."""

from __future__ import annotations

import importlib
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from capture.commands.bore_options import bore_options, bore_setup
from capture.commands.options import json_option

if TYPE_CHECKING:
    from analysis.bore import BoreSetup
    from analysis.results import Judged
    from config.limits import Limit

MEASURES = {
    "runout": ("analysis.measure", "measure_runout"),
    "endplay": ("analysis.measure", "measure_endplay"),
    "bore": ("analysis.bore", "measure_bore"),
}
STATUS_OF_VERDICT = {"over": 1, "undecided": 3, "not measurable": 4}
UNUSABLE = 2
FULL_TURN_DEG = 360.0

_FACE = re.compile(r"face:(-?\d{1,3}(?:\.\d+)?)")


def _second(ctx: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    """Check what the second indicator is said to touch."""
    if value in (None, "reference", "pilot"):
        return value
    face = _FACE.fullmatch(value)
    if face is None or not 0 < abs(float(face[1])) < FULL_TURN_DEG:
        raise click.BadParameter(
            f"{value!r}; expected reference, pilot, or face: with an angle, such as face:90",
            ctx=ctx,
            param=parameter,
        )
    return value


@click.command(short_help="Judge the run-out, end play or bore of trace files.")
@click.option("--kind", type=click.Choice(tuple(MEASURES)), required=True, help="What the traces show.")
@click.option(
    "--limit", "limit_text", metavar="LENGTH", help='Upper limit with its unit, such as "0.002 in".'
)
@click.option(
    "--second",
    callback=_second,
    metavar="reference|pilot|face:DEG",
    help="What the second indicator touches: a fixed reference to take off, the pilot, or the same face"
    " DEG degrees further on.",
)
@bore_options
@json_option
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.pass_context
def command(
    ctx: click.Context,
    /,
    kind: str,
    limit_text: str | None,
    second: str | None,
    as_json: bool,
    files: tuple[str, ...],
    **bore: Any,
) -> None:
    """Judge the run-out, end play or bore of trace files.

    A FILE is CSV with a header: time_s, one of reading_mm, reading_um or reading_in, and where there are
    such, mark, angle_deg, flag and a second indicator's reading2_mm, reading2_um or reading2_in.

    A bore is taken depth by depth from outside in, direction by direction; its size is judged when
    --setting-ring, --size and --bore are given, at 20 °C (ISO 1).

    Exit status: 0 all within, or no limit given; 1 one is over; 3 one is undecided; 4 one is not
    measurable; 2 a file or an argument cannot be used.
    """
    from config.errors import HubproofError

    if second is not None and kind != "runout":
        raise click.UsageError(f"--second goes with --kind runout, not with {kind}", ctx)
    limit = _limit(limit_text, kind)
    measure = _measure(kind, limit, second, bore_setup(kind, bore))
    results: list[Judged] = []
    unusable = False
    for file in files:
        try:
            result = measure(file)
        except HubproofError as error:
            click.echo(error.line(), err=True)
            unusable = True
            continue
        results.append(result)
        if as_json:
            click.echo(result.model_dump_json())
    if results and not as_json:
        from capture.commands.result_table import show_results

        show_results(results)
    ctx.exit(UNUSABLE if unusable else exit_status(results))


def exit_status(results: list[Judged]) -> int:
    """The status that tells the worst verdict: over before undecided before not measurable."""
    statuses = [
        STATUS_OF_VERDICT[result.verdict] for result in results if result.verdict in STATUS_OF_VERDICT
    ]
    return min(statuses, default=0)


def _limit(text: str | None, kind: str) -> Limit | None:
    if text is None:
        return None
    from config.limits import Quantity, parse_limit

    quantities: dict[str, Quantity] = {"runout": "runout", "endplay": "endplay", "bore": "bore"}
    return parse_limit(text, quantities[kind])


def _measure(
    kind: str, limit: Limit | None, second: str | None, bore: BoreSetup | None
) -> Callable[[str], Judged]:
    """How one file becomes a result."""
    from analysis.trace_file import read_trace_file

    module, name = MEASURES[kind]
    judge = getattr(importlib.import_module(module), name)
    more: dict[str, Any] = {} if second is None else {"second": second}
    if bore is not None:
        more["bore"] = bore

    def of(file: str) -> Judged:
        trace, unused = read_trace_file(file)
        for column in unused:
            click.echo(f"{file}: the column {column or '(no name)'} is not used", err=True)
        result: Judged = judge(trace, limit=limit, file=file, **more)
        return result

    return of
