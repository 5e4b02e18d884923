"""Limits: the figure a quantity is judged against, and who says so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from config.errors import InputError
from config.lengths import parse_length_nm

Quantity = Literal["runout", "endplay", "bore"]
TYPED_SOURCE = "typed with the command"


@dataclass(frozen=True, slots=True)
class Limit:
    """An upper limit with its source.

    Either `max_nm` is set, or the pair `good_up_to_nm` and `bad_above_nm` with room between them in
    which only the vehicle maker's figure decides. All in nanometres, all greater than zero.
    """

    name: str
    quantity: Quantity
    source: str
    max_nm: int | None = None
    good_up_to_nm: int | None = None
    bad_above_nm: int | None = None
    applies_to: str = ""

    def __post_init__(self) -> None:
        one = self.max_nm is not None
        pair = self.good_up_to_nm is not None and self.bad_above_nm is not None
        half = (self.good_up_to_nm is None) != (self.bad_above_nm is None)
        if one == pair or half:
            raise InputError(
                f"limit {self.name!r} is incomplete",
                expected="either max, or good_up_to together with bad_above",
            )
        if min(self.accept_nm, self.reject_nm) <= 0:
            raise InputError(f"limit {self.name!r} is not positive", expected="a length above zero")
        if self.accept_nm > self.reject_nm:
            raise InputError(f"limit {self.name!r}: good_up_to lies above bad_above")
        if not self.source.strip():
            raise InputError(f"limit {self.name!r} names no source", expected="who gives this figure")

    @property
    def accept_nm(self) -> int:
        """At or below this (with the uncertainty added) the part is within."""
        value = self.max_nm if self.max_nm is not None else self.good_up_to_nm
        assert value is not None
        return value

    @property
    def reject_nm(self) -> int:
        """Above this (with the uncertainty taken off) the part is over."""
        value = self.max_nm if self.max_nm is not None else self.bad_above_nm
        assert value is not None
        return value


def parse_limit(
    text: str, quantity: Quantity, *, where: str = "--limit", source: str = TYPED_SOURCE
) -> Limit:
    """A limit typed as one length, such as ``"0.002 in"``.

    Raises:
        InputError: no unit, not a length, zero or negative.
    """
    value_nm = parse_length_nm(text, where=where)
    if value_nm <= 0:
        raise InputError(
            f"{text!r} is not above zero", where=where, expected="a length above zero with a unit"
        )
    return Limit(name=f"{quantity} limit", quantity=quantity, source=source, max_nm=value_nm)
