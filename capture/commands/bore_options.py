"""The options of a bore: what its size is judged by."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

import click

from config.errors import InputError
from config.sizes import KNUCKLES, SIZES

if TYPE_CHECKING:
    from analysis.bore import BoreSetup

Function = TypeVar("Function", bound=Callable[..., Any])

NAMES = (
    "setting_ring", "ring_first", "ring_last", "size", "bore", "directions", "depths", "knuckle",
    "knuckle_temperature", "ring_temperature", "temperature_within",
)  # fmt: skip


def bore_options(function: Function) -> Function:
    """Add the options; the function is given them as `NAMES`, None or False where not typed."""
    options = (
        click.option(
            "--setting-ring",
            metavar="LENGTH",
            help="Bore: diameter of the setting ring at 20 °C, such as '74.002 mm +- 0.001 mm'.",
        ),
        click.option("--ring-first", is_flag=True, help="Bore: the first station is the setting ring."),
        click.option("--ring-last", is_flag=True, help="Bore: the last station is the setting ring."),
        click.option("--size", metavar="LENGTH", help="Bore: nominal size."),
        click.option("--bore", metavar="CLASS|SIZE", help=f"Bore: its hole class such as N7, or {SIZES}."),
        click.option("--directions", type=click.IntRange(1, 36), help="Bore: directions at each depth."),
        click.option("--depths", type=click.IntRange(1, 20), help="Bore: depths."),
        click.option("--knuckle", type=click.Choice(KNUCKLES), help="Bore: material [default: cast iron]."),
        click.option("--knuckle-temperature", type=click.FloatRange(-30, 80), metavar="°C"),
        click.option("--ring-temperature", type=click.FloatRange(-30, 80), metavar="°C"),
        click.option(
            "--temperature-within",
            type=click.FloatRange(0, 20),
            metavar="K",
            help="Bore: standard uncertainty of their difference [default: 1].",
        ),
    )
    for option in reversed(options):
        function = option(function)
    return function


def bore_setup(kind: str, given: Mapping[str, Any]) -> BoreSetup | None:
    """What was typed of a bore; None for another kind.

    Raises:
        InputError: such an option with another kind, a size without its limits or without the setting
            ring, or one temperature alone.
    """
    typed = {name: given[name] for name in NAMES if given[name] is not None and given[name] is not False}
    if kind != "bore":
        if typed:
            option = "--" + next(iter(typed)).replace("_", "-")
            raise InputError(f"{option} goes with --kind bore, not with {kind}", where="analyse")
        return None
    from capture.bore_setup import setup_from

    return setup_from(typed, where="analyse")
