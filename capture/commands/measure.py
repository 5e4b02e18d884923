"""``hubproof measure``: one measurement, watched in the terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from capture.commands.bore_options import NAMES as BORE_NAMES
from capture.commands.bore_options import bore_options
from capture.commands.options import data_option, indicators_option, json_option, station_indicators

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.results import EndplayResult, RestResult, RunoutResult
    from analysis.results_bore import BoreResult
    from capture.measure_run import Outcome
    from capture.messages import RunRequest

Function = TypeVar("Function", bound=Callable[..., Any])

EXIT_OVER, EXIT_UNDECIDED, EXIT_NOT_MEASURABLE, EXIT_INTERRUPTED = 1, 3, 4, 130
EXIT = {"within": 0, "over": EXIT_OVER, "undecided": EXIT_UNDECIDED, "not measurable": EXIT_NOT_MEASURABLE}


@click.group(short_help="Measure run-out or end play, or check the set-up at rest.")
def command() -> None:
    """Measure with an indicator: by the running daemon, else in this process.

    Exit status: 0 within (or steady, or no limit), 1 over (or not steady), 3 undecided, 4 not
    measurable, 2 when it could not be measured at all.
    """


def _shared(function: Function) -> Function:
    options = (
        click.option("--indicator", metavar="NAME", help="Which one; may be left out when one is connected."),
        click.option("--wheel", metavar="POSITION", help="front left, FL, rear right …"),
        click.option("--stage", metavar="STAGE", help="as found, or after repair."),
        click.option("--job", metavar="ID", help="The job that the run belongs to."),
        indicators_option,
        click.option(
            "--limits",
            "limits_file",
            type=click.Path(dir_okay=False, path_type=Path),
            metavar="FILE",
            help="The workshop's limits, when no daemon runs.",
        ),
        data_option,
        json_option,
    )
    for option in reversed(options):
        function = option(function)
    return function


def _touches(ctx: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    """Check what the second indicator is said to touch."""
    import re

    if value is not None and not re.fullmatch(r"reference|pilot|face:\d{1,3}", value):
        raise click.BadParameter("is not reference, pilot or face:90", ctx, parameter)
    return value


def _limit(example: str) -> Callable[[Function], Function]:
    def add(function: Function) -> Function:
        source = click.option("--limit-source", metavar="TEXT", help="Who gives the limit.")
        limit = click.option(
            "--limit", metavar="LENGTH", help=f'The vehicle maker\'s figure with its unit, like "{example}".'
        )
        return limit(source(function))

    return add


@command.command("rest", short_help="Watch the untouched indicator for 3 s: can the set-up be trusted?")
@_limit("0.002 in")
@_shared
def rest(**asked: Any) -> None:
    """Hands off: is the holder firm and the indicator still?"""
    _measure("rest", **asked)


@command.command("endplay", short_help="End play, from pushing and pulling the hub.")
@click.option(
    "--strokes", type=click.IntRange(1, 100), default=3, show_default=True, help="How many are enough."
)
@click.option("--freshly-fitted", is_flag=True, help="A new bearing was just fitted.")
@click.option(
    "--nut-torqued",
    type=click.Choice(["yes", "no"]),
    help="Is the hub nut at the vehicle maker's torque? Asked for on a terminal.",
)
@_limit("0.05 mm")
@_shared
def endplay(nut_torqued: str | None, **asked: Any) -> None:
    """Push the hub in and hold, pull it out and hold; it ends by itself.

    With a split inner ring the figure means nothing unless the hub nut is at its torque.
    """
    if nut_torqued is None and sys.stdin.isatty():
        nut_torqued = "yes" if click.confirm("Is the hub nut at the vehicle maker's torque?") else "no"
    _measure("endplay", nut_torqued=None if nut_torqued is None else nut_torqued == "yes", **asked)


@command.command("runout", short_help="Run-out, from turning the hub by hand.")
@click.option(
    "--turns", type=click.FloatRange(1, 100), default=3, show_default=True, help="How many are enough."
)
@click.option("--studs", type=click.IntRange(3, 12), help="Stud count of the flange.")
@click.option("--surface", type=click.Choice(["face", "radial"]), default="face", show_default=True)
@click.option("--second-indicator", metavar="NAME", help="Another indicator, read at the same time.")
@click.option(
    "--second",
    callback=_touches,
    metavar="WHAT",
    help="What it touches: reference, pilot, or the same face, face:90 further on.",
)
@click.option("--freshly-fitted", is_flag=True, help="A new bearing was just fitted.")
@_limit("0.002 in")
@_shared
def runout(**asked: Any) -> None:
    """Turn the hub evenly, one way; press space as the chalk mark passes, if there is one."""
    _measure("runout", **asked)


@command.command("bore", short_help="A bore, with the indicator in a bore gauge.")
@bore_options
@_limit("0.03 mm")
@_shared
def bore(**asked: Any) -> None:
    """Rock the gauge twice or more at each place and hold it half a second, depth by depth from outside in.

    With --directions and --depths it ends by itself; press s to end it otherwise.
    """
    given = {name: asked.pop(name) for name in BORE_NAMES}
    _measure("bore", bore={name: value for name, value in given.items() if value is not None}, **asked)


def _measure(
    kind: str,
    *,
    data: Path,
    indicators_file: Path | None,
    limits_file: Path | None,
    wheel: str | None,
    stage: str | None,
    as_json: bool,
    **asked: Any,
) -> None:
    import asyncio

    from analysis.record import parse_stage, parse_wheel
    from capture.messages import RunRequest

    given = {key: value for key, value in asked.items() if value is not None}
    request = RunRequest.model_validate(
        {
            "kind": kind,
            **given,
            "wheel": parse_wheel(wheel) if wheel else None,
            "stage": parse_stage(stage) if stage else None,
        }
    )
    _check_limit(request)
    try:
        status = asyncio.run(_carry_through(request, data, indicators_file, limits_file, as_json))
    except KeyboardInterrupt:
        status = EXIT_INTERRUPTED
    click.get_current_context().exit(status)


def _check_limit(request: RunRequest) -> None:
    """Refuse a bad limit before anybody lies under a vehicle."""
    from capture.measuring import limit_for

    limit_for(request, ())


async def _carry_through(
    request: RunRequest, data: Path, indicators_file: Path | None, limits_file: Path | None, as_json: bool
) -> int:
    from rich.console import Console

    outcome = await measure_once(request, data, indicators_file, limits_file, Console(stderr=as_json))
    if as_json:
        import json

        result = None if outcome.result is None else outcome.result.model_dump(mode="json")
        told = {"run": outcome.run, "state": outcome.state, "result": result}
        click.echo(json.dumps(told, ensure_ascii=False))
    if outcome.result is None:
        return EXIT_INTERRUPTED if outcome.state == "interrupted" else EXIT_NOT_MEASURABLE
    return exit_status(outcome.result)


async def measure_once(
    request: RunRequest,
    data: Path,
    indicators_file: Path | None,
    limits_file: Path | None,
    console: Console,
) -> Outcome:
    """One run, watched on `console`: by the running daemon, else in this process.

    Raises:
        HubproofError: it could not be measured at all.
    """
    from capture.client import DaemonStation, open_station
    from capture.measure_run import carry_through
    from capture.terminal import RunView, show_cautions, show_result
    from config.indicators import Indicator, indicator_named, none_described
    from config.limits import Limit
    from config.settings import load_limits

    def settings() -> tuple[tuple[Indicator, ...], tuple[Limit, ...]]:
        described = station_indicators(data, indicators_file)
        if not described:
            raise none_described()
        if request.indicator is not None:
            named = (request.indicator, request.second_indicator)
            described = tuple(indicator_named(name, described) for name in named if name is not None)
        return described, load_limits(limits_file)

    show_cautions(console, request.kind)
    async with open_station(data, settings) as station:
        if (indicators_file or limits_file) and isinstance(station, DaemonStation):
            console.print(
                f"Note: {station.place} measures, with its own indicators and limits.", soft_wrap=True
            )
        with RunView(console, request.kind, keys=console.is_terminal) as view:
            outcome = await carry_through(station, request, view)
    if outcome.result is None:
        console.print(f"{outcome.state}; kept as run {outcome.run}", soft_wrap=True)
    else:
        show_result(console, outcome.result, outcome.run)
    return outcome


def exit_status(result: RunoutResult | EndplayResult | BoreResult | RestResult) -> int:
    """The exit status that tells a result to programs."""
    if result.kind == "rest":
        return {True: 0, False: EXIT_OVER, None: EXIT_NOT_MEASURABLE}[result.steady]
    return EXIT[result.verdict] if result.verdict is not None else 0
