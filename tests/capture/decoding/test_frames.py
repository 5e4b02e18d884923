"""Binary frames: checks by published values, resynchronisation, and nothing damaged let through."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.decoding import FramesDecoder, decoder_for
from capture.decoding.checks import CHECKS
from capture.decoding.frames import QUIET_NS
from capture.reading import Decoded
from config.indicators import FramesFormat

BASE = {
    "kind": "frames",
    "start": "a55a",
    "size": 9,
    "status_at": 2,
    "value_at": 3,
    "value_type": "<i",
    "step": "0.001 mm",
    "inch_bit": "80",
    "inch_step": "0.00005 in",
    "status_bad": {"01": "hold is on", "02": "battery low"},
    "check": "crc16-ccitt",
    "check_at": 7,
}
NO_CHECK = {"check": None, "check_at": None, "size": 7}


def form(**changes: object) -> FramesFormat:
    return FramesFormat.model_validate({**BASE, **changes})


def frame(count: int, status: int = 0, check: str | None = "crc16-ccitt") -> bytes:
    body = bytes.fromhex("a55a") + bytes([status]) + count.to_bytes(4, "little", signed=True)
    return body + (CHECKS[check](body) if check else b"")


def locked(**changes: object) -> FramesDecoder:
    """One that saw silence before the first byte."""
    decoder = FramesDecoder(form(**changes))
    decoder.reset(0)
    return decoder


def counts(decoded: Decoded) -> list[int]:
    return [reading.length_nm // 1_000 for reading in decoded.readings]


# Check values of "123456789" in the public catalogue of parametrised CRCs (from memory): CRC-8/SMBUS
# F4, CRC-16/MODBUS 4B37, CRC-16/IBM-3740 29B1. The sums are by hand: 477 = 0x1DD, and 0x31.
@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("sum8", "dd"),
        ("xor8", "31"),
        ("crc8", "f4"),
        ("crc16-modbus", "374b"),  # low byte first on its wire
        ("crc16-ccitt", "29b1"),
    ],
)
def test_checks_agree_with_the_catalogue(name: str, expected: str) -> None:
    assert CHECKS[name](b"123456789").hex() == expected


def test_value_unit_and_status() -> None:
    read = locked().feed(frame(-5) + frame(100, 0x80) + frame(3, 0x03), QUIET_NS).readings
    assert [(r.length_nm, r.unit, r.flag) for r in read] == [
        (-5_000, "mm", None),
        (127_000, "in", None),  # 100 x 0.00005 in = 0.005 in = 0.127 mm
        (3_000, "mm", "hold is on; battery low"),
    ]


@pytest.mark.parametrize(
    ("value_type", "data", "expected"),
    [("<h", "feff", -2), (">h", "fffe", -2), ("<i24", "feffff", -2), (">i24", "000102", 258)],
)
def test_layouts(value_type: str, data: str, expected: int) -> None:
    raw = bytes.fromhex(data)
    plain = {"status_at": None, "inch_bit": None, "inch_step": None, "status_bad": {}, "check": None}
    layout = {"size": 2 + len(raw), "value_at": 2, "value_type": value_type, "check_at": None}
    decoder = locked(**plain, **layout)
    assert counts(decoder.feed(bytes.fromhex("a55a") + raw, QUIET_NS)) == [expected]


@given(st.lists(st.integers(-(2**31) // 2, 2**31 // 2), max_size=20), st.lists(st.integers(0, 400)))
def test_how_the_bytes_are_cut_changes_nothing(values: list[int], cuts: list[int]) -> None:
    data = b"".join(frame(value) for value in values)
    decoder = locked()
    decoder.feed(b"", QUIET_NS)
    bounds = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    read = [r for a, b in pairwise(bounds) for r in decoder.feed(data[a:b], QUIET_NS).readings]
    wanted = [value for value in values if abs(value) <= 10_000_000]  # 10 m in steps of 0.001 mm
    assert [reading.length_nm // 1_000 for reading in read] == wanted


def test_a_damaged_frame_costs_only_itself() -> None:
    damaged = bytearray(frame(2))
    damaged[4] ^= 0x10
    decoded = locked().feed(frame(1) + bytes(damaged) + frame(3) + frame(4), QUIET_NS)
    assert counts(decoded) == [1, 3, 4]
    assert [fault.code for fault in decoded.faults] == ["unreadable"]


def test_a_lost_byte_costs_its_frame_and_one_to_find_the_way_again() -> None:
    stream = frame(1) + frame(2)[:4] + frame(2)[5:] + frame(3) + frame(4) + frame(5)
    assert counts(locked().feed(stream, QUIET_NS)) == [1, 4, 5]


def test_without_silence_the_first_frame_only_proves_the_next() -> None:
    decoder = FramesDecoder(form())
    decoder.reset(0)
    assert counts(decoder.feed(b"\x5a" + frame(1) + frame(2) + frame(3), 1)) == [2, 3]


def test_start_bytes_inside_one_value_are_not_taken_for_a_start() -> None:
    # Without a check and with the same such value again and again nobody could tell; one is not enough.
    inner = int.from_bytes(bytes.fromhex("00a55a00"), "little", signed=True)
    stream = b"".join(frame(value, check=None) for value in (inner, 1, 2, 3))
    decoder = FramesDecoder(form(**NO_CHECK))
    decoder.reset(0)
    assert counts(decoder.feed(stream[3:], 1)) == [2, 3]


def test_garbage_for_ever_is_told_and_keeps_no_memory() -> None:
    decoder = FramesDecoder(form())
    noise = random.Random(3)
    faults = readings = 0
    for _ in range(200):
        decoded = decoder.feed(noise.randbytes(5_000), 0)
        faults += len(decoded.faults)
        readings += len(decoded.readings)
    assert faults > 0
    assert readings == 0
    assert len(decoder._buffer) < 2 * 9


def test_no_flipped_bit_gets_through_the_crc() -> None:
    flips = random.Random(11)
    decoder = locked()
    good = set(range(500))
    stream = bytearray(b"".join(frame(value) for value in range(500)))
    for _ in range(400):
        stream[flips.randrange(len(stream))] ^= 1 << flips.randrange(8)
    read = counts(decoder.feed(bytes(stream), QUIET_NS))
    assert set(read) <= good
    assert len(read) > 100


def test_a_piece_that_waits_too_long_has_lost_its_end() -> None:
    decoder = locked()
    decoder.feed(frame(1)[:5], QUIET_NS)
    decoded = decoder.feed(frame(2), 3 * QUIET_NS)
    assert counts(decoded) == [2]
    assert [fault.code for fault in decoded.faults] == ["unreadable"]


def test_a_notification_is_one_frame_or_none() -> None:
    told = {**BASE, "kind": "gatt-frames", "service": "1234", "characteristic": "1235"}
    decoder = decoder_for(type_of(told))
    assert counts(decoder.feed(frame(9), 0)) == [9]
    assert [fault.code for fault in decoder.feed(frame(9)[:-1], 0).faults] == ["unreadable"]


def type_of(told: dict[str, object]) -> FramesFormat:
    from config.indicators import GattFramesFormat

    return GattFramesFormat.model_validate(told)
