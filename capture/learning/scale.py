"""Confirms scale, unit and sign from a known length: what was read before and after it was set. Pure."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Literal

from config.errors import InputError
from config.lengths import NM_PER_UNIT, show_length

CLOSE = 0.03
"""A block, a hand and an unadjusted indicator agree within this; units differ by far more."""
STEPS_NM = (100, 127, 254, 500, 1_000, 1_270, 2_540, 5_000, 10_000, 12_700, 25_400, 100_000)
"""Steps that one count of an indicator may mean: 0.0001 mm to 0.1 mm, 0.000005 in to 0.001 in."""

WireUnit = Literal["mm", "um", "in"]
UNITS: tuple[WireUnit, ...] = ("mm", "in", "um")


def unit_from(moved: Decimal, known_nm: int) -> tuple[WireUnit, Literal[1, -1]]:
    """The unit of bare numbers, and 1 when they grow as the plunger is pushed in, else -1.

    Args:
        moved: how far the number moved, signed, in what the indicator writes.
        known_nm: the length that was set, plunger pushed in, above zero.

    Raises:
        InputError: it moved by neither so many mm, um nor inches.
    """
    sign: Literal[1, -1] = 1 if moved > 0 else -1
    for unit in UNITS:
        meant = Fraction(known_nm, NM_PER_UNIT[unit])
        if abs(Fraction(abs(moved)) / meant - 1) <= Fraction(str(CLOSE)):
            return unit, sign
    raise _not_it(f"{moved.normalize():f}", known_nm)


def sign_from(moved_nm: float, known_nm: int) -> Literal[1, -1]:
    """1 when a length that names its unit grew by the known one, -1 when it fell by it.

    Raises:
        InputError: it did neither.
    """
    if abs(abs(moved_nm) / known_nm - 1) > CLOSE:
        raise _not_it(show_length(moved_nm, "mm", step_nm=1_000), known_nm)
    return 1 if moved_nm > 0 else -1


def step_from(counts: float, known_nm: int) -> tuple[int, Literal[1, -1]]:
    """What one count means, nm, and its sign as in `unit_from`.

    Raises:
        InputError: no usual step comes near.
    """
    each = known_nm / abs(counts) if counts else 0.0
    near = [step for step in STEPS_NM if abs(each / step - 1) <= CLOSE]
    if not near:
        raise _not_it(f"{counts:.0f} counts", known_nm)
    # Neighbours differ by a quarter and more: at most one is near.
    return near[0], 1 if counts > 0 else -1


def _not_it(moved: str, known_nm: int) -> InputError:
    known = show_length(known_nm, "mm", step_nm=100)
    return InputError(
        f"the reading moved by {moved} where {known} was set",
        expected="the known length in mm, um or in",
        do="set the known length again, from the same zero, with the plunger square to it",
    )
