"""What indicators send, against their descriptions and published check values."""

from __future__ import annotations

import re
import struct
from decimal import Decimal

import pytest

from config.errors import InputError
from config.indicators import Indicator, LinesFormat, load_indicators
from simulators.checks import check_bytes, crc
from simulators.wire import INCH, METRE, LineWriter, Polled, Presentation, Shown, encoder_of, presentation_of

SHIPPED = {indicator.name: indicator for indicator in load_indicators()}


@pytest.mark.parametrize(
    ("kind", "published"),
    [("crc8", 0xF4), ("crc16-modbus", 0x4B37), ("crc16-ccitt", 0x29B1)],
)
def test_crcs_have_the_catalogue_s_check_value(kind: str, published: int) -> None:
    """Check values of CRC-8/SMBUS, CRC-16/MODBUS and CRC-16/IBM-3740 over "123456789".

    Source: the public catalogue of parametrised CRC algorithms; values from memory.
    """
    order = "little" if kind == "crc16-modbus" else "big"
    assert int.from_bytes(check_bytes(kind, b"123456789"), order) == published  # type: ignore[arg-type]


def test_another_catalogue_entry_confirms_the_bitwise_routine() -> None:
    """CRC-16/XMODEM has the check value 0x31C3 (same source)."""
    assert crc(b"123456789", width=16, polynomial=0x1021, start=0, reflected=False) == 0x31C3


def test_sums_by_hand() -> None:
    assert check_bytes("sum8", b"\xff\x02") == b"\x01"
    assert check_bytes("xor8", b"\x0f\xf0\x01") == b"\xfe"
    with pytest.raises(ValueError, match="crc32"):
        check_bytes("crc32", b"")


@pytest.mark.parametrize(
    ("name", "reading", "sent"),
    [
        ("bench", Shown(1_234_000), b"+   1.234mm \r\n"),
        ("bench", Shown(-12_345_000), b"-  12.345mm \r\n"),
        ("bench", Shown(0), b"+   0.000mm \r\n"),
        ("bench", Shown(50_800, inch=True), b"+ 0.00200in \r\n"),
        ("bench", Shown(7_000, status="hold"), b"+   0.007mmH\r\n"),
        ("bench", Shown(7_000, status="battery"), b"+   0.007mmL\r\n"),
        ("bench-inch", Shown(-1_333_500, inch=True), b"    -0.0525\r"),
        ("bench-inch", Shown(12_700, inch=True), b"     0.0005\r"),
        ("bench-polled", Shown(51_000), b"+5.1000E-02\n"),
        ("bench-polled", Shown(0), b"+0.0000E+00\n"),
    ],
)
def test_lines_look_like_the_example(name: str, reading: Shown, sent: bytes) -> None:
    assert encoder_of(SHIPPED[name])(reading) == sent


@pytest.mark.parametrize("name", ["bench", "bench-inch", "bench-polled"])
def test_every_step_can_be_written_and_means_what_was_shown(name: str) -> None:
    indicator = SHIPPED[name]
    form = indicator.format
    assert isinstance(form, LinesFormat)
    inch = form.unit == "in"
    encode = encoder_of(indicator)
    for count in range(-500, 9_000, 7):
        length_nm = count * indicator.resolution_nm
        line = encode(Shown(length_nm, inch)).decode().removesuffix(form.terminator)
        match = re.fullmatch(form.pattern, line)
        assert match is not None
        value = Decimal(match["value"].replace(" ", ""))
        assert value * (25_400_000 if inch else 1_000_000) == length_nm


def line_format(pattern: str, example: str, **more: object) -> LinesFormat:
    return LinesFormat.model_validate({"kind": "lines", "pattern": pattern, "example": example, **more})


def test_a_decimal_comma_leading_zeros_and_a_turned_sign_are_kept() -> None:
    comma = line_format(r"(?P<value>[+-]\d{3},\d{3})", "+001,234", unit="mm", sign=-1, terminator="\n")
    assert LineWriter(comma)(Shown(-5_678_000)) == b"+005,678\n"
    bare = line_format(
        r"X=(?P<value>-?\.\d+)(?P<unit> in| mm)", "X=.05250 in", units={"in": "in", "mm": "mm"}
    )
    assert LineWriter(bare)(Shown(-127_000, inch=True)) == b"X=-.00500 in\r\n"


def test_a_line_format_without_an_example_cannot_be_spoken() -> None:
    form = LinesFormat.model_validate({"kind": "lines", "pattern": r"(?P<value>\d+\.\d+)", "unit": "mm"})
    with pytest.raises(InputError, match="example"):
        LineWriter(form)


def test_a_frame_byte_by_byte() -> None:
    frame = encoder_of(SHIPPED["bench-frames"])(Shown(-5_000))
    assert frame[:2] == b"\xa5\x5a"
    assert frame[2] == 0
    assert struct.unpack_from("<i", frame, 3) == (-5,)
    assert frame[7:] == check_bytes("crc16-ccitt", frame[:7])
    inch = encoder_of(SHIPPED["bench-frames"])(Shown(12_700, inch=True, status="hold"))
    assert inch[2] == 0x81
    assert struct.unpack_from("<i", inch, 3) == (10,)


def test_the_presentation_format_has_the_bytes_of_its_definition() -> None:
    """Layout of descriptor 0x2904: Core Specification 3.G.3.3.3.5; codes: Assigned Numbers.

    The bytes were derived by hand from that layout; they are not a published example.
    """
    assert Presentation(0x10, -7, METRE).descriptor() == bytes.fromhex("10F90127010000")
    assert Presentation(0x0F, -6, METRE).descriptor() == bytes.fromhex("0FFA0127010000")
    assert Presentation(0x10, -5, INCH).descriptor() == bytes.fromhex("10FBA227010000")
    assert Presentation(0x10, -6, METRE).value(-5_000) == b"\xfb\xff\xff\xff"
    assert Presentation(0x0F, -5, INCH).value(1_270) == b"\x05\x00\x00"


@pytest.mark.parametrize(
    "step", ["0.001 mm", "0.0005 mm", "0.01 mm", "0.0005 in", "0.00005 in", "0.00001 in"]
)
def test_every_step_has_a_presentation_that_holds_it_exactly(step: str) -> None:
    entry = SHIPPED["bench"].model_dump(by_alias=True)
    entry |= {"resolution": step, "permissible_error": "0.003 mm", "range": "12.7 mm"}
    indicator = Indicator.model_validate(entry)
    presentation = presentation_of(indicator)
    count = int.from_bytes(presentation.value(977 * indicator.resolution_nm), "little", signed=True)
    unit_nm = Decimal(25_400_000 if presentation.unit == INCH else 1_000_000_000)
    assert count * unit_nm.scaleb(presentation.exponent) == 977 * indicator.resolution_nm


def test_a_polled_indicator_answers_its_query_and_who_it_is_and_nothing_else() -> None:
    polled = Polled(SHIPPED["bench-polled"])
    now = lambda: Shown(1_000)  # noqa: E731
    assert polled.hear(b"ME", now) == []
    assert polled.hear(b"AS?\n", now) == [b"+1.0000E-03\n"]
    assert polled.hear(b"RESET\r\nMEAS?\r\n", now) == [b"+1.0000E-03\n"]
    (identity,) = polled.hear(b"*IDN?\n", now)
    # IEEE 488.2: maker, model, serial number, version, separated by commas
    assert len(identity.decode().strip().split(",")) == 4
    assert polled.hear(b"MEAS?\n", lambda: None) == []
