"""Formats, units and identifiers of Bluetooth against the SIG's Assigned Numbers, and worked bytes.

`bt_format_types.csv`, `bt_units.csv`, `bluetooth_gatt.json`: Bluetooth SIG Assigned Numbers and Core
Specification Vol 3 Part G 3.3.3.5 (layout of descriptor 0x2904), as carried in the files with their
status. Special values of the medical floats: ISO/IEEE 11073-20601, in part from memory as the file says.
bleak's own tables of identifiers are a second source.
"""

from __future__ import annotations

import csv
import json
import struct
from pathlib import Path
from typing import Any

import pytest
from bleak.uuids import uuid16_dict

from capture.decoding import GattDecoder
from capture.decoding.gatt import FORMATS, PRESENTATION, UNITS, WITHOUT_EXPONENT
from capture.links.bluetooth import BATTERY_LEVEL
from config.errors import LinkError
from config.indicators import GattFormat
from simulators import gatt as simulated
from simulators.wire import INCH, METRE, Presentation

HERE = Path(__file__).parent
TOLD: dict[str, Any] = json.loads((HERE / "bluetooth_gatt.json").read_text(encoding="utf-8"))
FORM = GattFormat(kind="gatt", service="1234", characteristic="1235")
NOT_LENGTHS = {"boolean", "uint2", "uint4", "uint16[2]", "utf8s", "utf16s", "struct", "medASN1"}
TOO_WIDE = {"uint128", "sint128"}
"""No indicator sends sixteen bytes for a length: refused by name, not read."""


def rows(name: str) -> list[dict[str, str]]:
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def full(code: str) -> str:
    return f"0000{int(code, 16):04x}-0000-1000-8000-00805f9b34fb"


@pytest.mark.parametrize("row", rows("bt_format_types.csv"), ids=lambda row: row["name"])
def test_every_format_of_the_list_is_read_in_its_size_or_refused(row: dict[str, str]) -> None:
    code = int(row["code_hex"], 16)
    if row["name"] in NOT_LENGTHS | TOO_WIDE:
        assert code not in FORMATS
        with pytest.raises(LinkError, match=f"0x{code:02X}"):
            GattDecoder(FORM, struct.pack("<BbHBH", code, -6, METRE, 1, 0))
        return
    assert FORMATS[code][0] == int(row["size_octets"])
    assert (code not in WITHOUT_EXPONENT) == (row["exponent_allowed"] == "True")


def test_no_format_is_read_that_the_list_does_not_have() -> None:
    assert set(FORMATS) <= {int(row["code_hex"], 16) for row in rows("bt_format_types.csv")}


@pytest.mark.parametrize("row", rows("bt_units.csv"), ids=lambda row: row["name"])
def test_metre_and_inch_are_lengths_and_every_other_unit_is_refused(row: dict[str, str]) -> None:
    code = int(row["uuid_hex"], 16)
    told = struct.pack("<BbHBH", 0x10, -6, code, 1, 0)
    if row["name"] in ("length (metre)", "length (inch)"):
        (reading,) = GattDecoder(FORM, told).feed((1_000_000).to_bytes(4, "little"), 0).readings
        # 1,000,000 x 10^-6 is one metre or one inch; the inch is 25.4 mm exactly (1959 agreement)
        assert reading.length_nm == (1_000_000_000 if "metre" in row["name"] else 25_400_000)
        return
    with pytest.raises(LinkError, match=f"0x{code:04X}"):
        GattDecoder(FORM, told)


def test_the_list_has_no_millimetre_so_a_metre_with_an_exponent_is_the_way() -> None:
    names = [name for code, name in uuid16_dict.items() if 0x2700 <= code < 0x2800]  # all units bleak knows
    lengths = {name.removeprefix("length ") for name in names if name.startswith("length")}
    larger = {f"({unit})" for unit in ("yard", "foot", "mile", "nautical mile", "parsec")}
    assert lengths - larger == {"(metre)", "(inch)", "(ångström)"}
    assert {f"0x{code:04X}" for code in UNITS} == {"0x2701", "0x27A2"}


WORKED = {
    # descriptor in the file -> our simulation of it, a value, and the length it means
    "sint32_metre_1e-7": (Presentation(0x10, -7, METRE), "39300000", 1_234_500),  # 12345 x 10^-7 m
    "sint24_metre_1e-6": (Presentation(0x0F, -6, METRE), "2efbff", -1_234_000),  # -1234 x 10^-6 m
    "sint32_inch_1e-5": (Presentation(0x10, -5, INCH), "05000000", 1_270),  # 0.00005 in
    "float32_metre": (None, "0ad7233c", 10_000_000),  # IEEE 754: 0x3C23D70A is 0.01
}


@pytest.mark.parametrize("name", WORKED)
def test_worked_bytes_of_the_presentation_format(name: str) -> None:
    descriptor = bytes.fromhex(TOLD["derived_vectors"][name])
    assert len(descriptor) == TOLD["presentation_format"]["octets"]
    made, value, length_nm = WORKED[name]
    if made is not None:
        assert made.descriptor() == descriptor
    (reading,) = GattDecoder(FORM, descriptor).feed(bytes.fromhex(value), 0).readings
    assert reading.length_nm == length_nm


def test_the_medical_floats_by_their_vectors_and_their_values_that_are_no_numbers() -> None:
    vectors, special = TOLD["ieee11073"]["vectors"], TOLD["ieee11073"]
    word = int(vectors["float32_36.4"].split()[0], 16)
    long = GattDecoder(FORM, struct.pack("<BbHBH", 0x17, 0, INCH, 1, 0))
    assert long.feed(word.to_bytes(4, "little"), 0).readings[0].length_nm == 924_560_000  # 36.4 in
    short = GattDecoder(FORM, struct.pack("<BbHBH", 0x16, 0, INCH, 1, 0))
    half = int(vectors["sfloat_11.4_derived"], 16)
    assert short.feed(half.to_bytes(2, "little"), 0).readings[0].length_nm == 289_560_000  # 11.4 in
    for decoder, size, values in ((short, 2, special["sfloat"]), (long, 4, special["float32"])):
        for name in ("nan", "nres", "pos_inf", "neg_inf", "reserved"):
            decoded = decoder.feed(int(values[name], 16).to_bytes(size, "little"), 0)
            assert decoded.readings == []
            assert [fault.code for fault in decoded.faults] == ["unreadable"]


def test_identifiers_are_those_of_the_list_and_of_a_second_source() -> None:
    ours = {
        "0x180A": simulated.DEVICE_INFORMATION,
        "0x180F": simulated.BATTERY,
        "0x2A19": simulated.BATTERY_LEVEL,
        "0x2901": simulated.USER_DESCRIPTION,
        "0x2904": simulated.PRESENTATION_FORMAT,
    }
    told = {**TOLD["services"], **TOLD["characteristics"], **TOLD["descriptors"]}
    for code, uuid in ours.items():
        assert uuid == full(code)
        name = told[code].removesuffix(" (uint8, 0..100 %)").removeprefix("Characteristic ")
        assert name in uuid16_dict[int(code, 16)]
    assert (full("0x2A19"), full("0x2904")) == (BATTERY_LEVEL, PRESENTATION)
