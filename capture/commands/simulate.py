"""``hubproof simulate``: indicators without hardware, for bench tests."""

from __future__ import annotations

import signal
import tempfile
from collections.abc import Callable, Generator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.simulate_job import command as walk_job

if TYPE_CHECKING:
    from config.indicators import Indicator

WIRES = {"auto": "auto", "pty": "pty", "tcp": "socket"}


@click.group(short_help="Keep a simulated indicator alive for bench tests.")
def command() -> None:
    """Keep a simulated indicator alive for bench tests.

    Nothing here is a measurement: hub, hand and indicator are invented.
    """


@command.command("serial")
@click.option(
    "--scenario", required=True, metavar="NAME", help="Which hub, such as sound-hub or bent-flange."
)
@click.option(
    "--indicator", "name", default="bench", show_default=True, help="Which indicator it speaks like."
)
@click.option(
    "--indicators",
    "file",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="File that describes the indicators, instead of the shipped examples.",
)
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Of what is drawn.")
@click.option(
    "--port",
    "wire",
    type=click.Choice(tuple(WIRES)),
    default="auto",
    show_default=True,
    help="A pseudo-terminal, or a TCP port of this machine.",
)
def serial(scenario: str, name: str, file: Path | None, seed: int, wire: str) -> None:
    """Keep an indicator alive on a virtual serial port until Ctrl-C.

    The hand rests, pushes and pulls, rests and turns the hub, again and again.
    """
    from config.indicators import indicator_named, load_indicators
    from simulators import keep_alive

    indicator = indicator_named(name, load_indicators(file))
    _keep_speaking(
        indicator,
        lambda opened: keep_alive.run(
            scenario, seed=seed, indicator=indicator, wire=WIRES[wire], opened=opened
        ),
    )


command.add_command(walk_job)


@command.command("bore", short_help="Keep an indicator in a bore gauge alive.")
@click.option("--diameter", default="73.974 mm", show_default=True, metavar="LENGTH")
@click.option(
    "--oval", default="0.006 mm", show_default=True, metavar="LENGTH", help="Largest minus smallest."
)
@click.option("--taper", default="0 mm", show_default=True, metavar="LENGTH", help="Inside minus outside.")
@click.option("--ring", default="74.002 mm", show_default=True, metavar="LENGTH", help="The setting ring.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Of the hand.")
@click.option("--port", "wire", type=click.Choice(tuple(WIRES)), default="auto", show_default=True)
def bore(diameter: str, oval: str, taper: str, ring: str, seed: int, wire: str) -> None:
    """Keep an indicator in a bore gauge alive on a virtual serial port until Ctrl-C.

    The hand gauges the bore in four directions at two depths, again and again, and rests between.
    """
    from config.indicators import indicator_named, load_indicators
    from config.sizes import mm_of
    from simulators import bore as bores
    from simulators import keep_alive

    indicator = indicator_named("bench", load_indicators())
    asked = bores.Bore(
        diameter_mm=mm_of(diameter, "--diameter"),
        taper_um=mm_of(taper, "--taper") * 1000.0,
        oval_um=mm_of(oval, "--oval") * 1000.0,
    )
    _keep_speaking(
        indicator,
        lambda opened: keep_alive.gauge(
            asked,
            ring_mm=mm_of(ring, "--ring"),
            seed=seed,
            indicator=indicator,
            wire=WIRES[wire],
            opened=opened,
        ),
    )


def _keep_speaking(
    indicator: Indicator, begin: Callable[[Callable[[str], None]], Generator[str, None, None]]
) -> None:
    """Let a simulated indicator speak until it is stopped, and say where it is heard.

    Args:
        indicator: that it speaks like.
        begin: starts it; told whom to tell the port's address, it yields lines to show.
    """
    with tempfile.TemporaryDirectory(prefix="hubproof-simulated-") as folder:

        def opened(url: str) -> None:
            described = Path(folder) / "indicators.toml"
            described.write_text(described_at(indicator, url), encoding="utf-8")
            click.echo(f"port: {url}")
            click.echo(f"next, in another terminal: hubproof serve --indicators {described}")
            click.echo("stop with Ctrl-C")

        signal.signal(signal.SIGTERM, signal.default_int_handler)  # a stop by a service is Ctrl-C too
        lines = begin(opened)
        try:
            for line in lines:
                click.echo(line)
        except KeyboardInterrupt:
            click.echo("stopped")
        finally:
            lines.close()


def described_at(indicator: Indicator, url: str) -> str:
    """The indicator at the virtual port, as an indicators file."""
    from config.indicators import SerialLink
    from config.toml_text import indicator_toml

    link = indicator.link if isinstance(indicator.link, SerialLink) else SerialLink(kind="serial", port=url)
    there = link.model_copy(update={"port": url, "usb": None, "usb_serial_number": None})
    return indicator_toml(indicator.model_copy(update={"link": there, "simulated": True}))
