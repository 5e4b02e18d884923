"""Tightening torque as typed, and whether the figure reached is the figure asked for.

The vehicle maker's procedure gives the figure and the way to it (stages, angle, wheels on the ground);
nothing here replaces it. A torque is kept in newton metres as an exact decimal.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from config.errors import InputError
from config.lengths import parse_quantity

TorqueState = Literal["at torque", "below", "above", "other unit"]

N_M_PER_LBF_FT = Decimal("1.3558179483314004")  # exact: 0.3048 m times 4.4482216152605 N
# A hub nut lies far inside this; what is outside was typed in another unit or with a slipped point.
SMALLEST_N_M, LARGEST_N_M = Decimal(5), Decimal(1500)
# Largest deviation of an indicating or setting torque tool above 10 N m (ISO 6789-1, from memory).
WRENCH_PERMISSIBLE = Decimal("0.04")
_WORKSHOP_SPELLINGS = {
    "ft-lb": "lbf ft", "ft-lbs": "lbf ft", "lb-ft": "lbf ft", "lbs-ft": "lbf ft", "ft lb": "lbf ft",
    "lb ft": "lbf ft", "ft.lb": "lbf ft", "lb.ft": "lbf ft", "ftlb": "lbf ft", "lbf-ft": "lbf ft",
    "ft-lbf": "lbf ft", "lbf.ft": "lbf ft", "n-m": "N m", "n.m": "N m", "nm": "N m", "n·m": "N m",
}  # fmt: skip


def parse_torque_n_m(text: str, *, where: str = "torque") -> Decimal:
    """Read a typed torque such as ``"180 N m"`` or ``"133 lbf ft"`` as newton metres.

    Raises:
        InputError: no number, no unit, a unit that is not a torque, or a figure no hub nut has.
    """
    stripped = text.strip()
    unit_at = len(stripped) - len(stripped.lstrip("+-0123456789., "))
    unit = " ".join(stripped[unit_at:].lower().split())
    spelled = f"{stripped[:unit_at].strip()} {_WORKSHOP_SPELLINGS.get(unit, stripped[unit_at:])}"
    try:
        torque_n_m = parse_quantity(spelled.strip(), "N*m", where=where)
    except InputError as error:
        raise InputError(
            error.what.replace(repr(spelled.strip()), repr(text)),
            where=where,
            expected="a number with N m or lbf ft, such as '180 N m'",
        ) from error
    if not SMALLEST_N_M <= torque_n_m <= LARGEST_N_M:
        raise InputError(
            f"{text!r} is {torque_n_m.normalize():f} N m",
            where=where,
            expected=f"{SMALLEST_N_M} to {LARGEST_N_M} N m",
            do="look at the unit and the decimal point",
        )
    return torque_n_m


@dataclass(frozen=True, slots=True)
class TorqueCheck:
    """How a torque that was reached stands to the one asked for; `text` is one sentence."""

    state: TorqueState
    text: str

    @property
    def good(self) -> bool:
        """The nut is at its torque."""
        return self.state == "at torque"


def compare_torque(
    reached_n_m: Decimal, asked_n_m: Decimal, *, tolerance: Decimal = WRENCH_PERMISSIBLE
) -> TorqueCheck:
    """Compare the torque reached with the vehicle maker's figure.

    Args:
        reached_n_m: N m that the torque wrench showed.
        asked_n_m: the vehicle maker's figure, N m.
        tolerance: fraction of the figure that is still "at torque" (that of the wrench by default).

    A figure that fits after changing N m for lbf ft (or back) is told as such: the usual slip when a
    wrench with two scales is set.
    """
    reached, asked = f"{reached_n_m:.0f} N m", f"{asked_n_m:.0f} N m"
    if abs(reached_n_m - asked_n_m) <= tolerance * asked_n_m:
        return TorqueCheck("at torque", f"{reached} reached, {asked} asked for")
    swaps = (("N m", "lbf ft", asked_n_m / N_M_PER_LBF_FT), ("lbf ft", "N m", asked_n_m * N_M_PER_LBF_FT))
    for used, meant, swapped_n_m in swaps:
        if abs(reached_n_m - swapped_n_m) <= tolerance * swapped_n_m:
            text = f"{reached} reached where {asked} is asked for: the figure in {meant} was set in {used}"
            return TorqueCheck("other unit", text)
    below = reached_n_m < asked_n_m
    return TorqueCheck(
        "below" if below else "above", f"{reached} reached, {'below' if below else 'above'} {asked} asked for"
    )
