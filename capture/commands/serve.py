"""``hubproof serve``: the daemon beside the bench."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from capture.commands.options import data_option, indicators_option, station_indicators


@click.command(short_help="Run the daemon that owns the indicators and keeps the record.")
@data_option
@indicators_option
@click.option(
    "--limits",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The workshop's limits, instead of the shipped ones.",
)
@click.option(
    "--port", type=click.IntRange(0, 65_535), default=4870, show_default=True, help="0: any free one."
)
@click.option(
    "--network",
    is_flag=True,
    help="Let tablets of the workshop's network in too, each after it was paired by a code shown here.",
)
@click.option(
    "--log",
    "log",
    type=click.Choice(["text", "json", "journal"]),
    help="Form of the log on standard error; by itself the journal's under a service manager, else text.",
)
def command(
    data: Path,
    indicators_file: Path | None,
    limits: Path | None,
    port: int,
    network: bool,
    log: Literal["text", "json", "journal"] | None,
) -> None:
    """Read the indicators, record runs, and answer the commands, until stopped with ctrl-c.

    Listens on this computer only, unless --network opens it.
    """
    import asyncio

    from capture.interpreter import load_quickly

    load_quickly()
    from capture.logs import log_form, set_up_logs
    from config.indicators import none_described
    from config.settings import load_limits

    set_up_logs(log_form(log))
    described, known_limits = station_indicators(data, indicators_file), load_limits(limits)

    from capture.commands.devices import show_opened
    from capture.daemon import serve

    def ready(address: str) -> None:
        click.echo(f"ready at {address}, data in {data}")
        if not described:
            click.echo(none_described().what + "; " + str(none_described().do))

    asyncio.run(
        serve(data, described, known_limits, port=port, network=network, ready=ready, opened=show_opened)
    )
