"""A Bluetooth characteristic's number, read by its Presentation Format descriptor (0x2904).

Formats, exponent and units are those of the Bluetooth SIG's Assigned Numbers and of the Core
Specification, Vol 3, Part G, 3.3.3.5: format (1 byte), exponent (signed), unit (2 bytes, low first),
namespace (1 byte), description (2 bytes).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from decimal import Decimal
from typing import Literal

from capture.reading import Decoded, Fault, Reading, shown
from config.errors import LinkError
from config.indicators import GattFormat, Unit
from config.lengths import LARGEST_LENGTH_NM

PRESENTATION = "00002904-0000-1000-8000-00805f9b34fb"
METRE, INCH = 0x2701, 0x27A2
UNITS: dict[int, tuple[Decimal, Unit]] = {
    METRE: (Decimal(1_000_000_000), "mm"),
    INCH: (Decimal(25_400_000), "in"),
}
Number = Callable[[bytes], Decimal]


def _whole(size: int, *, signed: bool, bits: int | None = None) -> Number:
    """A little-endian integer of `size` bytes of which the lowest `bits` count."""
    used = bits or 8 * size

    def read(data: bytes) -> Decimal:
        value = int.from_bytes(data[:size], "little") & ((1 << used) - 1)
        if signed and value >> (used - 1):
            value -= 1 << used
        return Decimal(value)

    return read


def _float(layout: Literal["<f", "<d"]) -> Number:
    # The shortest decimal that means this float: 0.001 as a float32 is meant as 0.001.
    digits = 7 if layout == "<f" else 15

    def read(data: bytes) -> Decimal:
        return Decimal(f"{struct.unpack(layout, data)[0]:.{digits}g}")

    return read


def _medical(size: Literal[2, 4]) -> Number:
    """IEEE 11073-20601 SFLOAT and FLOAT: mantissa and decimal exponent, with reserved non-numbers."""
    mantissa_bits, exponent_bits = (12, 4) if size == 2 else (24, 8)

    def read(data: bytes) -> Decimal:
        value = int.from_bytes(data, "little")
        mantissa, exponent = value & ((1 << mantissa_bits) - 1), value >> mantissa_bits
        top = 1 << (mantissa_bits - 1)
        if exponent == 0 and abs(mantissa - top) <= 2:
            return Decimal("NaN")
        mantissa -= (mantissa & top) << 1
        exponent -= (exponent & (1 << (exponent_bits - 1))) << 1
        return Decimal(mantissa).scaleb(exponent)

    return read


FORMATS: dict[int, tuple[int, Number]] = {
    0x04: (1, _whole(1, signed=False)),
    0x05: (2, _whole(2, signed=False, bits=12)),
    0x06: (2, _whole(2, signed=False)),
    0x07: (3, _whole(3, signed=False)),
    0x08: (4, _whole(4, signed=False)),
    0x09: (6, _whole(6, signed=False)),
    0x0A: (8, _whole(8, signed=False)),
    0x0C: (1, _whole(1, signed=True)),
    0x0D: (2, _whole(2, signed=True, bits=12)),
    0x0E: (2, _whole(2, signed=True)),
    0x0F: (3, _whole(3, signed=True)),
    0x10: (4, _whole(4, signed=True)),
    0x11: (6, _whole(6, signed=True)),
    0x12: (8, _whole(8, signed=True)),
    0x14: (4, _float("<f")),
    0x15: (8, _float("<d")),
    0x16: (2, _medical(2)),
    0x17: (4, _medical(4)),
}
WITHOUT_EXPONENT = {0x14, 0x15, 0x16, 0x17}


class GattDecoder:
    """Decodes notifications of one number each.

    Args:
        form: the described characteristic.
        presentation: the 7 bytes of its descriptor 0x2904.

    Raises:
        LinkError: the descriptor is missing, or names a format or unit that is no length.
    """

    def __init__(self, form: GattFormat, presentation: bytes) -> None:
        where = f"characteristic {form.characteristic}"
        if len(presentation) != 7:
            raise LinkError(
                "has no Presentation Format descriptor (0x2904)",
                where=where,
                do="describe its layout in the indicators file with format gatt-frames",
            )
        code, exponent, unit, _, _ = struct.unpack("<BbHBH", presentation)
        if code not in FORMATS:
            raise LinkError(f"sends format 0x{code:02X}", where=where, expected="a number")
        if unit not in UNITS:
            raise LinkError(
                f"is given in unit 0x{unit:04X}", where=where, expected="metre (0x2701) or inch (0x27A2)"
            )
        self._size, self._number = FORMATS[code]
        unit_nm, self._unit = UNITS[unit]
        self._scale = form.sign * (unit_nm if code in WITHOUT_EXPONENT else unit_nm.scaleb(exponent))

    def reset(self, opened_ns: int | None = None) -> None:
        """Nothing is ever half here."""

    def feed(self, data: bytes, t_ns: int) -> Decoded:
        """See `Decoder`; `data` is one notification."""
        if len(data) != self._size:
            text = f"{len(data)} bytes where {self._size} were announced"
            return Decoded([], [Fault(t_ns, "unreadable", text, shown(data))])
        length = self._number(data) * self._scale
        if not length.is_finite():
            return Decoded([], [Fault(t_ns, "unreadable", "not a number", data.hex())])
        if abs(length) > LARGEST_LENGTH_NM:
            return Decoded([], [Fault(t_ns, "out_of_range", "longer than 10 m", data.hex())])
        return Decoded([Reading(t_ns, int(length.to_integral_value()), self._unit)], [])
