"""Sizes as typed: lengths, hole classes, limits, measured sizes, and the sizes of a job's sheet."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from config.errors import InputError
from config.fits import SizeLimits, hole_limits, outer_ring_limits
from config.lengths import NM_PER_UNIT, parse_length_nm

SIZES = "a length, '73.970 mm +- 0.003 mm', or '73.961 mm to 73.991 mm'"
KNUCKLES = ("cast iron", "cast steel", "aluminium")
_CLASS = re.compile(r"[A-Za-z]{1,2}\d{1,2}")


def mm_of(text: str, where: str) -> float:
    """Millimetres of a typed length.

    Raises:
        InputError: see `config.lengths.parse_length_nm`.
    """
    return parse_length_nm(text.strip(), where=where) / NM_PER_UNIT["mm"]


def bore_limits(text: str, nominal_mm: float, *, where: str) -> SizeLimits:
    """Limits of a bore: a hole class such as ``N7``, or what `typed_limits` reads.

    Raises:
        InputError: unknown class, or not a size.
    """
    if _CLASS.fullmatch(text.strip()):
        return hole_limits(nominal_mm, text)
    return typed_limits(text, nominal_mm, "bore", where=where)


def ring_limits(text: str, nominal_mm: float, *, where: str) -> SizeLimits:
    """Limits of an outer ring: ``normal`` for tolerance class Normal, or what `typed_limits` reads.

    Raises:
        InputError: not a size.
    """
    if text.strip().lower() == "normal":
        return outer_ring_limits(nominal_mm)
    return typed_limits(text, nominal_mm, "ring", where=where)


def typed_limits(text: str, nominal_mm: float, what: str, *, where: str) -> SizeLimits:
    """Typed limits or a measured size, as deviations from the nominal size.

    Raises:
        InputError: not a size, or one far from the nominal size.
    """
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


@dataclass(frozen=True, slots=True)
class Sizes:
    """The sizes of a wheel end as its sheet has them; None where nothing was typed.

    Attributes:
        nominal_mm: outside diameter of the bearing.
        bore, ring: limits of bore and outer ring.
        setting_ring: diameter at 20 degrees C and half width of its certificate, mm.
        directions, depths: of the bore's stations.
        wall_mm: outside diameter of the knuckle around the bore.
        width_mm: length of the contact.
        ring_inner_mm: inner diameter of the outer ring.
        bearing_bore_mm: bore of the bearing, when the former is not known.
        knuckle: its material.
        friction: assumed while pressing.
        contact_angle_deg: of the double row.
        studs: of the flange.
        flange_radius_mm, disc_radius_mm: where the plunger stood on flange and disc.
    """

    nominal_mm: float | None = None
    bore: SizeLimits | None = None
    ring: SizeLimits | None = None
    setting_ring: tuple[float, float | None] | None = None
    directions: int | None = None
    depths: int | None = None
    wall_mm: float | None = None
    width_mm: float | None = None
    ring_inner_mm: float | None = None
    bearing_bore_mm: float | None = None
    knuckle: str = "cast iron"
    friction: float = 0.12
    contact_angle_deg: float | None = None
    studs: int | None = None
    flange_radius_mm: float | None = None
    disc_radius_mm: float | None = None


_LENGTHS = {
    "size": "nominal_mm", "wall": "wall_mm", "width": "width_mm", "ring_inner": "ring_inner_mm",
    "bearing_bore": "bearing_bore_mm", "flange_radius": "flange_radius_mm", "disc_radius": "disc_radius_mm",
}  # fmt: skip
_COUNTS = {"directions": (1, 36), "depths": (1, 20), "studs": (2, 12)}
SIZE_NAMES = (*_LENGTHS, *_COUNTS, "bore", "ring", "setting_ring", "knuckle", "friction", "contact_angle")


def read_sizes(typed: Mapping[str, str]) -> Sizes:
    """The sizes of a sheet, as typed by name (`SIZE_NAMES`).

    Raises:
        InputError: an unknown name, no size, or a bore or ring without the bearing's size.
    """
    unknown = sorted(set(typed) - set(SIZE_NAMES))
    if unknown:
        raise InputError(
            f"unknown size {unknown[0]!r}", where="sizes", expected=", ".join(sorted(SIZE_NAMES))
        )
    found: dict[str, object] = {}
    for name, attribute in _LENGTHS.items():
        if name in typed:
            found[attribute] = _above_zero(mm_of(typed[name], f"size {name}"), name)
    for name, (least, most) in _COUNTS.items():
        if name in typed:
            found[name] = _whole(typed[name], name, least, most)
    for name, attribute in (("friction", "friction"), ("contact_angle", "contact_angle_deg")):
        if name in typed:
            found[attribute] = _number(typed[name], name)
    if "setting_ring" in typed:
        found["setting_ring"] = with_spread(typed["setting_ring"], where="size setting_ring")
    if "knuckle" in typed:
        if typed["knuckle"] not in KNUCKLES:
            raise InputError(
                f"unknown material {typed['knuckle']!r}", where="size knuckle", expected=", ".join(KNUCKLES)
            )
        found["knuckle"] = typed["knuckle"]
    return Sizes(**found, **_seat(typed, found.get("nominal_mm")))  # type: ignore[arg-type]


def _seat(typed: Mapping[str, str], nominal_mm: object) -> dict[str, SizeLimits]:
    """Limits of bore and ring; the ring is of class Normal when only the bearing's size is known."""
    if not isinstance(nominal_mm, float):
        if "bore" in typed or "ring" in typed:
            raise InputError("bore and ring need the bearing's size", where="sizes", expected="size")
        return {}
    limits = {}
    if "bore" in typed:
        limits["bore"] = bore_limits(typed["bore"], nominal_mm, where="size bore")
    if "ring" in typed or "bore" in typed:
        limits["ring"] = ring_limits(typed.get("ring", "normal"), nominal_mm, where="size ring")
    return limits


def _above_zero(value: float, name: str) -> float:
    if not value > 0.0:
        raise InputError(f"{value:g} mm", where=f"size {name}", expected="a length above zero")
    return value


def _whole(text: str, name: str, least: int, most: int) -> int:
    plain = str(text).strip()
    if not (plain.isascii() and plain.isdecimal()) or not least <= int(plain) <= most:
        raise InputError(f"{text!r}", where=f"size {name}", expected=f"a whole number, {least} to {most}")
    return int(plain)


def _number(text: str, name: str) -> float:
    try:
        value = float(str(text).strip().removesuffix("°").removesuffix("deg"))
    except ValueError as error:
        raise InputError(f"{text!r} is no number", where=f"size {name}") from error
    if not 0.0 < value < 90.0:
        raise InputError(f"{text!r}", where=f"size {name}", expected="above zero, below 90")
    return value
