"""What is typed of a bore, by a command, a sheet or a run asked for, becomes what it is measured with."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from config.errors import InputError
from config.sizes import bore_limits, mm_of, with_spread

if TYPE_CHECKING:  # heavy, and a station that starts needs no bore yet
    from analysis.bore import BoreSetup
    from capture.messages import BoreAsked

COVERAGE = 2.0  # the half width of a certificate is taken as its expanded uncertainty, k = 2


def bore_setup_of(asked: BoreAsked | None) -> BoreSetup:
    """What a run was asked with.

    Raises:
        InputError: see `setup_from`.
    """
    from analysis.bore import BoreSetup

    return BoreSetup() if asked is None else setup_from(asked.model_dump(), where="bore")


def setup_from(given: Mapping[str, Any], *, where: str) -> BoreSetup:
    """What was typed, by the names of `BoreAsked`; None and False count as not typed.

    Raises:
        InputError: a size without its limits or without the setting ring, or one temperature alone.
    """
    from analysis.bore import BoreSetup
    from analysis.press import MATERIALS

    typed = {name: value for name, value in given.items() if value is not None and value is not False}
    _check(typed, where)
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


def _check(typed: Mapping[str, Any], where: str) -> None:
    for one, other in (("size", "bore"), ("knuckle_temperature", "ring_temperature")):
        if (one in typed) != (other in typed):
            names = (f"--{name.replace('_', '-')}" for name in (one, other))
            raise InputError("one of two is missing", where=where, expected=" and ".join(names))
    if "size" in typed and "setting_ring" not in typed:
        raise InputError(
            "limits of size without the setting ring's diameter",
            where=where,
            expected="--setting-ring, such as '74.002 mm +- 0.001 mm'",
        )
