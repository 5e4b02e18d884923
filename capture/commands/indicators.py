"""``hubproof indicators``: those that are described, those in reach, and whether one can be trusted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.indicator_learn import learn
from capture.commands.options import data_option, indicators_option, json_option, station_indicators

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results_check import IndicatorCheck
    from capture.check_messages import CheckRequest, IndicatorCard
    from capture.client import Station
    from capture.messages import Message
    from config.indicators import Indicator
    from config.limits import Limit

NOT_PASSED, INTERRUPTED = 1, 130
SETTLE_S = 3.0
"""How long indicators are waited for when no daemon knows how they stand; a scan takes a little longer."""
SETTLE_RADIO_S = 8.0
LOOK_S = 0.1


@click.group(invoke_without_command=True, short_help="List, find, describe and check the indicators.")
@click.pass_context
@indicators_option
@data_option
@json_option
def command(ctx: click.Context, indicators_file: Path | None, data: Path, as_json: bool) -> None:
    """The indicators of this station: their state, battery, calibration, last check and last reading.

    The running daemon is asked; without one they are connected for a moment.
    """
    if ctx.invoked_subcommand is None:
        import asyncio

        cards = asyncio.run(_cards(data, indicators_file))
        if as_json:
            _print_json(cards)
            return
        from rich.console import Console

        from capture.indicator_table import show_cards

        show_cards(Console(), cards)


async def _cards(data: Path, indicators_file: Path | None) -> tuple[IndicatorCard, ...]:
    import asyncio

    from capture.client import BenchStation, open_station
    from config.indicators import SerialLink

    def settings() -> tuple[tuple[Indicator, ...], tuple[Limit, ...]]:
        return _described(data, indicators_file), ()

    async with open_station(data, settings) as station:
        cards = await station.cards()
        if not isinstance(station, BenchStation):
            return cards
        wired = all(isinstance(each.link, SerialLink) for each in settings()[0])
        left_s = SETTLE_S if wired else SETTLE_RADIO_S
        while left_s > 0 and any(card.state == "connecting" for card in cards):
            await asyncio.sleep(LOOK_S)
            left_s -= LOOK_S
            cards = await station.cards()
        return cards


def _described(data: Path, indicators_file: Path | None) -> tuple[Indicator, ...]:
    """The station's indicators.

    Raises:
        InputError: there are none, or the file is wrong.
    """
    from config.indicators import none_described

    described = station_indicators(data, indicators_file)
    if not described:
        raise none_described()
    return described


def _print_json(messages: Sequence[Message] | Sequence[IndicatorCheck]) -> None:
    for message in messages:
        click.echo(message.model_dump_json())


@command.command("find", short_help="Serial ports and Bluetooth peripherals in reach.")
@click.option(
    "--seconds", type=click.FloatRange(1, 60), default=5.0, show_default=True, help="How long to look."
)
@click.option("--offers", is_flag=True, help="Connect to each Bluetooth peripheral and list what it sends.")
@click.option("--no-bluetooth", is_flag=True, help="Serial ports only.")
@indicators_option
@data_option
@json_option
def find(
    seconds: float, offers: bool, no_bluetooth: bool, indicators_file: Path | None, data: Path, as_json: bool
) -> None:
    """The serial ports of this computer and the Bluetooth peripherals in reach, with what they offer."""
    import asyncio

    from capture.finding import find_peripherals, find_ports
    from config.errors import LinkError

    described = station_indicators(data, indicators_file)
    ports = find_ports(described)
    if as_json:
        _print_json(ports)
    else:
        from rich.console import Console

        from capture.indicator_table import show_peripherals, show_ports

        console = Console()
        show_ports(console, ports)
    if no_bluetooth:
        return
    try:
        found = asyncio.run(find_peripherals(described, seconds=seconds, look_into=offers))
    except LinkError as error:
        click.echo(error.line(), err=True)  # the ports are of use without a radio too
        return
    if as_json:
        _print_json(found)
    else:
        show_peripherals(console, found)


@command.command("check", short_help="Watch an indicator, and compare it with gauge blocks.")
@click.argument("name")
@click.option(
    "--rest",
    "rest_s",
    type=click.FloatRange(2, 300),
    default=5.0,
    show_default=True,
    help="Seconds to watch it.",
)
@click.option(
    "--block", "blocks", multiple=True, metavar="LENGTH",
    help='A gauge block, like "1.000 mm"; again for each, the first one lies there from the start.',
)  # fmt: skip
@click.option("--travel", is_flag=True, help="Also its range: the plunger is moved from end to end.")
@click.option("--one-way", is_flag=True, help="Not back down the blocks: no hysteresis.")
@click.option("--block-error", metavar="LENGTH", help="Permissible deviation of a block [0.45 um].")
@indicators_option
@data_option
@json_option
def check(
    name: str,
    rest_s: float,
    blocks: tuple[str, ...],
    travel: bool,
    one_way: bool,
    block_error: str | None,
    indicators_file: Path | None,
    data: Path,
    as_json: bool,
) -> None:
    """Rate, jitter, missing readings, noise and step of indicator NAME; with gauge blocks its deviation too.

    No key is needed: a block counts as set when the reading stands still near it. What was found is kept
    as the indicator's last check. A check is no calibration.

    Exit status: 0 passed, 1 something speaks against it, 2 it could not be checked.
    """
    import asyncio

    from capture.check_messages import CheckRequest

    request = CheckRequest(
        rest_s=rest_s, blocks=blocks, down=not one_way, travel=travel, block_error=block_error
    )
    try:
        found = asyncio.run(_check(name, request, data, indicators_file, quiet=as_json))
    except KeyboardInterrupt:
        click.get_current_context().exit(INTERRUPTED)
    if as_json:
        _print_json([found])
    else:
        from rich.console import Console

        from capture.indicator_table import show_check

        show_check(Console(), found)
    click.get_current_context().exit(0 if found.passed else NOT_PASSED)


async def _check(
    name: str, request: CheckRequest, data: Path, indicators_file: Path | None, *, quiet: bool
) -> IndicatorCheck:
    from capture.client import open_station
    from capture.measure_run import until_reached
    from config.indicators import indicator_named

    def settings() -> tuple[tuple[Indicator, ...], tuple[Limit, ...]]:
        return (indicator_named(name, _described(data, indicators_file)),), ()

    async with open_station(data, settings) as station:
        await until_reached(station, name)
        return await _to_its_end(station, name, request, quiet=quiet)


async def _to_its_end(station: Station, name: str, request: CheckRequest, *, quiet: bool) -> IndicatorCheck:
    """Begin the check, say what to do, and give what was found.

    Raises:
        LinkError: it did not come to an end, and why.
    """
    import asyncio
    import contextlib

    from capture.messages import CheckProgress
    from config.errors import InputError, LinkError

    async with station.listen() as messages:
        begun = await station.start_check(name, request)
        said = ""
        try:
            async for message in messages:
                if not isinstance(message, CheckProgress) or message.run != begun.run:
                    continue
                if message.state == "done" and message.result is not None:
                    return message.result
                if message.state == "interrupted":
                    raise LinkError(message.say, where=name)
                if message.say != said and not quiet:
                    said = message.say
                    click.echo(said)
        except asyncio.CancelledError:
            with contextlib.suppress(InputError):  # it may have ended a moment ago
                await station.stop_check(name)
            raise
    raise LinkError("the station ended before the check did", where=name)


command.add_command(learn)
