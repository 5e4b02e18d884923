"""Sizes of bores and rings as typed: a hole class, two limits, or a measured size."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from capture.commands.options import mm_of
from config.errors import InputError

if TYPE_CHECKING:
    from config.fits import SizeLimits

SIZES = "a length, '73.970 mm +- 0.003 mm', or '73.961 mm to 73.991 mm'"
_CLASS = re.compile(r"[A-Za-z]{1,2}\d{1,2}")


def bore_limits(text: str, nominal_mm: float, *, where: str) -> SizeLimits:
    """Limits of a bore: a hole class such as ``N7``, or what `typed_limits` reads.

    Raises:
        InputError: unknown class, or not a size.
    """
    from config.fits import hole_limits

    if _CLASS.fullmatch(text.strip()):
        return hole_limits(nominal_mm, text)
    return typed_limits(text, nominal_mm, "bore", where=where)


def typed_limits(text: str, nominal_mm: float, what: str, *, where: str) -> SizeLimits:
    """Typed limits or a measured size, as deviations from the nominal size.

    Raises:
        InputError: not a size, or one far from the nominal size.
    """
    from config.fits import SizeLimits

    low, to, high = text.partition(" to ")
    if to:
        least, most, source = mm_of(low, where), mm_of(high, where), f"{what} limits as typed"
    else:
        centre, half_mm = with_spread(text, where=where)
        least, most = centre - (half_mm or 0.0), centre + (half_mm or 0.0)
        source = f"{what} as typed, without its uncertainty" if half_mm is None else f"measured {what}"
    lower_um, upper_um = (round((mm - nominal_mm) * 1000.0, 6) for mm in (least, most))
    if max(abs(lower_um), abs(upper_um)) > 0.01 * nominal_mm * 1000.0:
        raise InputError(
            f"{text!r} is far from the nominal {nominal_mm:g} mm",
            where=where,
            expected="a size within 1 % of --size",
        )
    return SizeLimits(nominal_mm, lower_um, upper_um, source)


def with_spread(text: str, *, where: str) -> tuple[float, float | None]:
    """Size and half width in mm of a length such as ``73.970 mm +- 0.003 mm``; None without a half width.

    Raises:
        InputError: not a length.
    """
    middle, _, half = text.replace("±", "+-").partition("+-")
    return mm_of(middle, where), abs(mm_of(half, where)) if half else None
