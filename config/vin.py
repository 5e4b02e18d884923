"""The vehicle identification number as typed: its form, and its check digit where one is required.

Form: 17 characters of A-Z and 0-9 without I, O and Q (ISO 3779; 49 CFR 565.15). The check digit in
position 9 is a North American rule (49 CFR 565.15(c)); ISO 3779 does not ask for it (from memory), so
that a mismatch refuses a number built for North America and only warns about any other.
"""

from __future__ import annotations

from dataclasses import dataclass

from config.errors import InputError

LENGTH = 17
CHECK_AT = 8
FORBIDDEN = "IOQ"
# 49 CFR 565.15, Table III (values of letters; digits count as themselves) and Table IV (weights).
LETTER_VALUES = dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ", map(int, "12345678" + "12345" + "7" + "9" + "23456789"), strict=True)
)
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
# World manufacturer codes of North America begin with these (ISO 3780; from memory).
NORTH_AMERICA = "12345"


@dataclass(frozen=True, slots=True)
class Vin:
    """A vehicle identification number of the right form.

    Attributes:
        text: 17 capital letters and digits.
        check_digit: what position 9 should hold by 49 CFR 565.15.
        matches: position 9 holds it.
        warning: one sentence when it does not and the rule may not apply; None otherwise.
    """

    text: str
    check_digit: str
    matches: bool
    warning: str | None


def weighted_sum(vin: str) -> int:
    """Sum of value times weight over the 17 positions (49 CFR 565.15(c)); `vin` of the right form."""
    return sum(
        weight * (int(letter) if letter.isdigit() else LETTER_VALUES[letter])
        for letter, weight in zip(vin, WEIGHTS, strict=True)
    )


def parse_vin(text: str, *, where: str = "VIN") -> Vin:
    """Read a typed VIN; small letters are taken as capitals.

    Raises:
        InputError: wrong length, a character that no VIN holds, or a check digit that does not match
            in a number that begins as North American ones do.
    """
    vin = text.upper()
    wrong = sorted({letter for letter in vin if letter not in LETTER_VALUES and letter not in "0123456789"})
    if wrong:
        shown = ", ".join("a blank" if letter.isspace() else repr(letter) for letter in wrong)
        hint = "I, O and Q are never used: look for 1 and 0" if set(wrong) & set(FORBIDDEN) else None
        raise InputError(
            f"{text!r} holds {shown}", where=where, expected="17 letters and digits without I, O, Q", do=hint
        )
    if len(vin) != LENGTH:
        raise InputError(f"{text!r} has {len(vin)} characters", where=where, expected=f"{LENGTH}")
    remainder = weighted_sum(vin) % 11
    check = "X" if remainder == 10 else str(remainder)
    matches = vin[CHECK_AT] == check
    said = f"check digit {vin[CHECK_AT]!r} in position 9 does not match the other characters"
    if not matches and vin[0] in NORTH_AMERICA:
        raise InputError(
            f"{vin!r}: {said}",
            where=where,
            expected=f"{check!r} (49 CFR 565.15)",
            do="read the number on the vehicle again",
        )
    warning = None
    if not matches:
        warning = f"{said}; the rule binds in North America only, so read the number again to be sure"
    return Vin(vin, check, matches, warning)
