"""``hubproof serve``: the daemon beside the bench."""

from __future__ import annotations

from pathlib import Path

import click

from capture.commands.options import data_option


@click.command(short_help="Run the daemon that owns the indicators and keeps the record.")
@data_option
@click.option(
    "--indicators",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The workshop's indicators, instead of the shipped examples.",
)
@click.option(
    "--limits",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The workshop's limits, instead of the shipped ones.",
)
@click.option(
    "--port", type=click.IntRange(0, 65_535), default=4870, show_default=True, help="0: any free one."
)
def command(data: Path, indicators: Path | None, limits: Path | None, port: int) -> None:
    """Read the indicators, record runs, and answer the commands, until stopped with ctrl-c.

    Listens on this computer only.
    """
    import asyncio
    import logging

    from config.indicators import load_indicators
    from config.settings import load_limits

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    logging.getLogger("uvicorn").setLevel(logging.WARNING)  # its comings and goings say nothing of a hub
    described, known_limits = load_indicators(indicators), load_limits(limits)

    from capture.daemon import serve

    def ready(address: str) -> None:
        click.echo(f"ready at {address}, data in {data}")

    asyncio.run(serve(data, described, known_limits, port=port, ready=ready))
