"""One value of an indicator, as decoded: the smallest thing that is kept."""

from __future__ import annotations

from typing import NamedTuple

from config.indicators import Unit

LONGEST_RAW = 80


class Reading(NamedTuple):
    """A reading, plunger pushed in positive.

    Attributes:
        t_ns: monotonic clock as its last byte arrived.
        length_nm: exact length in nanometres.
        unit: the unit in which the indicator wrote it.
        flag: why it cannot be trusted, or None. A flagged reading is kept, never judged.
        raw: what the wire said, kept for flagged readings only.
    """

    t_ns: int
    length_nm: int
    unit: Unit
    flag: str | None = None
    raw: str | None = None


class Fault(NamedTuple):
    """Bytes that are no reading: a stable code, a sentence, and the start of what arrived."""

    t_ns: int
    code: str
    text: str
    raw: str = ""


class Decoded(NamedTuple):
    """What one chunk of bytes came to, in order of arrival."""

    readings: list[Reading]
    faults: list[Fault]


def shown(data: bytes) -> str:
    """Bytes for a message: printable, one line, at most `LONGEST_RAW` characters."""
    text = data[:LONGEST_RAW].decode("latin-1")
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)[:LONGEST_RAW]
