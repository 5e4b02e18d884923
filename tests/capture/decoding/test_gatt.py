"""A number as its Presentation Format descriptor (0x2904) describes it.

Format codes and units are those of the Bluetooth SIG's Assigned Numbers; the bytes are worked by hand.
"""

from __future__ import annotations

import struct

import pytest

from capture.decoding import GattDecoder
from config.errors import LinkError
from config.indicators import GattFormat

FORM = GattFormat(kind="gatt", service="1234", characteristic="1235")
METRE, INCH = 0x2701, 0x27A2


def presentation(code: int, exponent: int, unit: int) -> bytes:
    return struct.pack("<BbHBH", code, exponent, unit, 1, 0)


@pytest.mark.parametrize(
    ("code", "exponent", "unit", "data", "expected_nm"),
    [
        (0x10, -6, METRE, "d2040000", 1_234_000),  # sint32 1234 x 10^-6 m = 1.234 mm
        (0x10, -7, METRE, "ffffffff", -100),  # -1 x 10^-7 m = -0.1 um
        (0x0E, -5, INCH, "0a00", 2_540),  # 10 x 0.00001 in = 0.0001 in
        (0x0E, -5, INCH, "f6ff", -2_540),
        (0x0F, -6, METRE, "feffff", -2_000),  # sint24 -2
        (0x06, -6, METRE, "ffff", 65_535_000),  # uint16
        (0x05, -6, METRE, "ff0f", 4_095_000),  # uint12 in two bytes
        (0x0D, -6, METRE, "ff0f", -1_000),  # sint12 -1
        (0x12, -9, METRE, "e803000000000000", 1_000),  # sint64 nanometres
        (0x14, 0, METRE, struct.pack("<f", 0.001234).hex(), 1_234_000),
        (0x15, 0, INCH, struct.pack("<d", 0.0005).hex(), 12_700),
        (0x16, 0, METRE, "72d0", 114_000_000),  # SFLOAT: mantissa 0x072 = 114, exponent 0xD = -3
        (0x17, 0, METRE, "7b0000fa", 123_000),  # FLOAT: mantissa 123, exponent 0xFA = -6
    ],
)
def test_worked_bytes(code: int, exponent: int, unit: int, data: str, expected_nm: int) -> None:
    decoder = GattDecoder(FORM, presentation(code, exponent, unit))
    (reading,) = decoder.feed(bytes.fromhex(data), 5).readings
    assert reading.length_nm == expected_nm
    assert reading.unit == ("in" if unit == INCH else "mm")


@pytest.mark.parametrize("data", ["00", "0000000000"])
def test_another_size_is_no_reading(data: str) -> None:
    decoded = GattDecoder(FORM, presentation(0x10, -6, METRE)).feed(bytes.fromhex(data), 0)
    assert decoded.readings == []
    assert decoded.faults[0].code == "unreadable"


# The reserved values of the 16-bit float in IEEE 11073-20601 (from memory): NaN 0x07FF, not at this
# resolution 0x0800, +infinity 0x07FE, -infinity 0x0802, reserved 0x0801.
@pytest.mark.parametrize("value", [0x07FF, 0x0800, 0x07FE, 0x0802, 0x0801])
def test_reserved_values_are_no_numbers(value: int) -> None:
    decoded = GattDecoder(FORM, presentation(0x16, 0, METRE)).feed(value.to_bytes(2, "little"), 0)
    assert decoded.readings == []


def test_float_infinity_is_no_length() -> None:
    decoded = GattDecoder(FORM, presentation(0x14, 0, METRE)).feed(struct.pack("<f", float("inf")), 0)
    assert decoded.readings == []


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (b"", "0x2904"),
        (presentation(0x19, 0, METRE), "0x19"),
        (presentation(0x10, 0, 0x272F), "0x272F"),  # degree Celsius
    ],
)
def test_what_is_no_length_is_refused(told: bytes, words: str) -> None:
    with pytest.raises(LinkError, match=words):
        GattDecoder(FORM, told)
