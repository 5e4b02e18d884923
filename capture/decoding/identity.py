"""Who an instrument says that it is: the answer to ``*IDN?`` (IEEE 488.2, 10.14).

Four fields with commas between: manufacturer, model, serial number, firmware level; ASCII 0 stands for a
serial number or firmware that is not known. At most 72 characters (from memory).
"""

from __future__ import annotations

from typing import NamedTuple

LONGEST = 72
NOT_KNOWN = "0"


class Identity(NamedTuple):
    """The four fields; serial number and firmware are empty when the instrument does not know them."""

    manufacturer: str
    model: str
    serial_number: str
    firmware: str


def parse_identity(answer: str) -> Identity | None:
    """The fields of an answer to ``*IDN?``, or None when it is no such answer."""
    fields = [field.strip() for field in answer.strip("\r\n ").split(",")]
    if len(answer.strip("\r\n ")) > LONGEST or len(fields) != len(Identity._fields):
        return None
    if not fields[0] or not fields[1] or not answer.isascii():
        return None
    manufacturer, model, *rest = fields
    return Identity(manufacturer, model, *("" if field == NOT_KNOWN else field for field in rest))
