"""Limits of size by standard: hole classes of ISO 286 and outer rings of ISO 492, for the bore and its fit.

The tables are in config/fits.toml with their sources. What they do not cover is refused, never guessed;
limits of the vehicle maker are typed instead and take precedence anyway.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from config.errors import InputError
from config.settings import shipped


@dataclass(frozen=True, slots=True)
class SizeLimits:
    """Smallest and largest size allowed.

    Attributes:
        nominal_mm: the size that the deviations count from.
        lower_um, upper_um: deviations of the limits from `nominal_mm`.
        source: who gives them.
    """

    nominal_mm: float
    lower_um: float
    upper_um: float
    source: str

    def __post_init__(self) -> None:
        if not self.nominal_mm > 0.0:
            raise InputError(f"nominal size {self.nominal_mm:g} mm", expected="a size above zero")
        if self.lower_um > self.upper_um:
            raise InputError(
                f"lower limit {self.lower_um:g} um lies above the upper limit {self.upper_um:g} um",
                where=self.source,
            )


@cache
def _tables() -> dict[str, Any]:
    return tomllib.loads(shipped("fits.toml"))


def _row(rows: Sequence[Sequence[Any]], size_mm: float, what: str) -> Sequence[Any]:
    for row in rows:
        if row[0] < size_mm <= row[1]:
            return row
    raise InputError(
        f"no limits for {what} of {size_mm:g} mm",
        expected=f"over {rows[0][0]} up to {rows[-1][1]} mm",
        do="type the vehicle maker's limits instead",
    )


def hole_classes() -> tuple[str, ...]:
    """The hole classes that the tables hold, such as ``N7``."""
    return tuple(_tables()["holes"]["classes"])


def hole_limits(nominal_mm: float, hole_class: str) -> SizeLimits:
    """Limits of a bore of that class.

    Raises:
        InputError: a class or a size that the table does not hold.
    """
    table = _tables()["holes"]
    name = hole_class.strip().upper()
    if name not in table["classes"]:
        raise InputError(f"unknown hole class {hole_class!r}", expected="one of " + ", ".join(hole_classes()))
    upper, lower = _row(table["rows"], nominal_mm, f"a {name} hole")[2 + table["classes"].index(name)]
    return SizeLimits(nominal_mm, float(lower), float(upper), f"{table['source']}, class {name}")


def outer_ring_limits(nominal_mm: float) -> SizeLimits:
    """Limits of the outside diameter of a bearing's outer ring, tolerance class Normal.

    Raises:
        InputError: a size that the table does not hold.
    """
    table = _tables()["outer_rings"]
    _, _, upper, lower = _row(table["rows"], nominal_mm, "an outer ring")
    return SizeLimits(nominal_mm, float(lower), float(upper), table["source"])


def tolerance_um(nominal_mm: float, grade: int) -> float:
    """Width of a standard tolerance grade, IT5 to IT8.

    Raises:
        InputError: a grade or a size that the table does not hold.
    """
    table = _tables()["it"]
    if not 5 <= grade <= 8:
        raise InputError(f"unknown tolerance grade IT{grade}", expected="IT5 to IT8")
    return float(_row(table["rows"], nominal_mm, f"IT{grade}")[2 + grade - 5])
