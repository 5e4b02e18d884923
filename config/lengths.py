"""Lengths and other quantities as people type them, and as the station keeps them.

A length is an integer count of nanometres: every step of a digital indicator is exact in it
(0.001 mm = 1000 nm, 0.0005 in = 12 700 nm, 0.00001 in = 254 nm; 1 in = 25.4 mm exactly).
"""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

from config.errors import InputError

if TYPE_CHECKING:
    import pint

LengthUnit = Literal["mm", "um", "in"]
NM_PER_UNIT: dict[str, int] = {"mm": 1_000_000, "um": 1_000, "in": 25_400_000}
NM_PER_UM = 1_000
UM_PER_MM = 1_000.0
LARGEST_LENGTH_NM = 10_000_000_000  # 10 m: far beyond any wheel end, so a typing error is caught

# Only what a workshop types is defined, so that "0.05 miles" or "2 s" is refused by name.
_DEFINITIONS = """
metre = [length] = m = meter
millimetre = 0.001 m = mm = millimeter
micrometre = 0.000001 m = um = µm = μm = micrometer = micron
nanometre = 0.000000001 m = nm = nanometer
inch = 0.0254 m = in = inches
thou = 0.001 in = mil
newton = [force] = N
kilonewton = 1000 N = kN
pound_force = 4.4482216152605 N = lbf
newton_metre = N * m = Nm
foot = 12 in = ft
""".strip().splitlines()


@cache
def _units() -> pint.UnitRegistry[Decimal]:
    """The workshop's units with exact decimal arithmetic; built on first use because pint loads slowly."""
    import pint

    registry: pint.UnitRegistry[Decimal] = pint.UnitRegistry(None, non_int_type=Decimal, cache_folder=None)
    registry.load_definitions(_DEFINITIONS)
    return registry


LARGEST_EXPONENT = 30
"""Powers of ten beyond this are no quantity of a workshop, and overflow where units are raised to powers."""
LONGEST_UNIT = 30


def parse_quantity(text: str, unit: str, *, where: str | None = None) -> Decimal:
    """Read a typed quantity such as ``"0.002 in"`` or ``"180 N*m"`` and convert it exactly to `unit`.

    Args:
        text: a number and a unit. A decimal comma is accepted when there is no point.
        unit: the unit wanted, one of the workshop's units (``mm``, ``N*m`` …).
        where: what is being read, for the error message.

    Raises:
        InputError: no number, no unit, an unknown unit, or one of another kind.
    """
    example = "0.05 mm" if unit in {"nm", *NM_PER_UNIT} else f"200 {unit}"
    expected = f"a number with a unit, such as {example!r}"
    cleaned = text.strip().replace("″", " in").replace('"', " in")
    if "," in cleaned and "." not in cleaned:
        cleaned = cleaned.replace(",", ".")
    number, _, unit_text = cleaned.partition(" ")
    if not unit_text:
        digits = len(cleaned) - len(cleaned.lstrip("+-0123456789.eE"))
        number, unit_text = cleaned[:digits], cleaned[digits:]
    try:
        value = Decimal(number)
    except InvalidOperation as error:
        raise InputError(f"{text!r} is not a quantity", where=where, expected=expected) from error
    if not value.is_finite() or (value and abs(value.adjusted()) > LARGEST_EXPONENT):
        raise InputError(f"{text!r} is not a finite number", where=where, expected=expected)
    if len(unit_text) > LONGEST_UNIT:
        raise InputError(f"{text!r} is not a quantity", where=where, expected=expected)
    if not unit_text.strip():
        raise InputError(f"{text!r} has no unit", where=where, expected=expected)
    return _convert(value, unit_text.strip(), unit, text=text, where=where, expected=expected)


def _convert(
    value: Decimal, unit_text: str, unit: str, *, text: str, where: str | None, expected: str
) -> Decimal:
    if unit == "nm" and unit_text in NM_PER_UNIT:  # exact, and a station that starts needs no library for it
        return value * NM_PER_UNIT[unit_text]

    import pint

    registry = _units()
    try:
        quantity: Any = value * registry.parse_units(unit_text)
        converted: Decimal = quantity.to(unit).magnitude
    except pint.DimensionalityError as error:
        typed = "mm" if unit == "nm" else unit  # nobody types nanometres
        raise InputError(
            f"{text!r} is not a quantity that can be given in {typed}", where=where, expected=expected
        ) from error
    except (pint.errors.PintError, ArithmeticError, AttributeError, ValueError, TypeError, KeyError) as error:
        raise InputError(
            f"{text!r} has an unknown unit {unit_text!r}", where=where, expected=expected
        ) from error
    return converted


def parse_length_nm(text: str, *, where: str | None = None) -> int:
    """Read a typed length such as ``"0.002 in"``, ``"0.05 mm"`` or ``"12 um"`` as whole nanometres.

    The sign is kept; callers that need a positive length say so themselves.

    Raises:
        InputError: not a length, no unit, beyond 10 m.
    """
    exact = parse_quantity(text, "nm", where=where)
    if abs(exact) > LARGEST_LENGTH_NM:
        raise InputError(f"{text!r} is longer than 10 m", where=where, expected="a length at a wheel end")
    return int(exact.to_integral_value())


def nm_from_decimal(value: Decimal, unit: LengthUnit) -> int:
    """Whole nanometres of `value` in `unit`, rounded half to even; exact for every indicator step."""
    return int((value * NM_PER_UNIT[unit]).to_integral_value())


def mm_from_um(value_um: float) -> float:
    """Millimetres for a result: rounded to 1e-10 mm so that no digit of float noise is printed."""
    return round(value_um / UM_PER_MM, 10)


def show_length(length_nm: int | float, unit: LengthUnit = "mm", *, step_nm: int = 1_000) -> str:
    """A length for people, with the digits that `step_nm` justifies and its unit: ``"0.051 mm"``."""
    step = Decimal(step_nm) / NM_PER_UNIT[unit]
    digits = max(0, -step.normalize().adjusted())
    return f"{float(length_nm) / NM_PER_UNIT[unit]:.{digits}f} {unit}"
