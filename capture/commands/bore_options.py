"""The options of a bore: what its size is judged by."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

import click

from config.errors import InputError
from config.sizes import KNUCKLES, SIZES, bore_limits, mm_of, with_spread

if TYPE_CHECKING:
    from analysis.bore import BoreSetup

Function = TypeVar("Function", bound=Callable[..., Any])

COVERAGE = 2.0  # the half width of a certificate is taken as its expanded uncertainty, k = 2
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
    from analysis.bore import BoreSetup
    from analysis.press import MATERIALS

    _check(typed)
    settings: dict[str, Any] = {
        name: typed[name] for name in ("directions", "depths", "ring_first", "ring_last") if name in typed
    }
    if "setting_ring" in typed:
        settings["ring_mm"], half_mm = with_spread(typed["setting_ring"], where="--setting-ring")
        if half_mm is not None:
            settings["ring_standard_um"] = half_mm * 1000.0 / COVERAGE
    if "size" in typed:
        settings["size"] = bore_limits(typed["bore"], mm_of(typed["size"], "--size"), where="--bore")
    if "knuckle_temperature" in typed:
        settings["knuckle_c"], settings["ring_c"] = typed["knuckle_temperature"], typed["ring_temperature"]
    if "temperature_within" in typed:
        settings["temperature_standard_k"] = typed["temperature_within"]
    if "knuckle" in typed:
        settings["knuckle"] = MATERIALS[typed["knuckle"]]
    return BoreSetup(**settings)


def _check(typed: Mapping[str, Any]) -> None:
    for one, other in (("size", "bore"), ("knuckle_temperature", "ring_temperature")):
        if (one in typed) != (other in typed):
            names = (f"--{name.replace('_', '-')}" for name in (one, other))
            raise InputError("one of two is missing", where="analyse", expected=" and ".join(names))
    if "size" in typed and "setting_ring" not in typed:
        raise InputError(
            "limits of size without the setting ring's diameter",
            where="analyse",
            expected="--setting-ring, such as '74.002 mm +- 0.001 mm'",
        )
