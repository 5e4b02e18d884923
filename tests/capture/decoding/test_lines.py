"""Text lines: exact values, and nothing wrong let through however the bytes come."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.decoding import LinesDecoder
from capture.decoding.lines import QUIET_NS
from capture.reading import Reading
from config.indicators import LinesFormat
from tests.capture.helpers import LINES, line


def decoder(**changes: object) -> LinesDecoder:
    """One that takes the first line as whole."""
    return LinesDecoder(LinesFormat.model_validate({**LINES, **changes}), whole_from_start=True)


def lengths(data: bytes, **changes: object) -> list[int]:
    return [reading.length_nm for reading in decoder(**changes).feed(data, 0).readings]


ANY_NUMBER = r"(?P<value>[+-]? *\d*[.,]?\d+(E[+-]?\d+)?)"


# The inch is 25.4 mm exactly (International yard and pound agreement, 1959), so every step is a whole
# number of nanometres: computed by hand.
@pytest.mark.parametrize(
    ("text", "unit", "expected_nm"),
    [
        ("+0.001", "mm", 1_000),
        ("-0.0005", "mm", -500),
        ("+12.700", "mm", 12_700_000),
        ("0.0005", "in", 12_700),
        ("-.00005", "in", -1_270),
        ("0.00001", "in", 254),
        ("1", "in", 25_400_000),
        ("-   1,234", "mm", -1_234_000),
        ("+1.2340E+00", "mm", 1_234_000),
        ("-5.0E-04", "in", -12_700),
        ("0.5", "um", 500),
    ],
)
def test_a_number_is_exact_to_the_nanometre(text: str, unit: str, expected_nm: int) -> None:
    assert lengths(f"{text}\r\n".encode(), pattern=ANY_NUMBER, unit=unit) == [expected_nm]


def test_the_wire_names_the_unit() -> None:
    read = decoder().feed(b"+   1.000mm \r\n-   0.10000in \r\n", 7).readings
    assert read == [Reading(7, 1_000_000, "mm"), Reading(7, -2_540_000, "in")]


def test_a_bad_status_flags_the_reading_and_keeps_its_bytes() -> None:
    (read,) = decoder().feed(b"+   1.000mmH\r\n", 7).readings
    assert read == Reading(7, 1_000_000, "mm", "hold is on", "+   1.000mmH")


def test_the_sign_can_be_turned() -> None:
    assert lengths(line(5_000), sign=-1) == [-5_000]


@pytest.mark.parametrize(
    ("bad", "code"),
    [
        (b"+   1.00", "unreadable"),
        (b"+   1.000mm +   1.000mm ", "unreadable"),
        (b"\xff\xfe\x00garbage", "unreadable"),
        (b"+   1.000cm ", "unreadable"),
        (b"+99999999999999999999999999.0mm ", "out_of_range"),
    ],
)
def test_a_bad_line_is_told_and_the_next_is_read(bad: bytes, code: str) -> None:
    decoded = decoder().feed(bad + b"\r\n" + line(3_000), 0)
    assert [fault.code for fault in decoded.faults] == [code]
    assert [reading.length_nm for reading in decoded.readings] == [3_000]


def test_an_unknown_unit_is_named() -> None:
    changes = {"pattern": r"(?P<value>\d+\.\d+)(?P<unit>[a-z]+)"}
    (fault,) = decoder(**changes).feed(b"1.000ft\r\n", 0).faults
    assert fault.code == "unknown_unit"
    assert "'ft'" in fault.text


@pytest.mark.parametrize("text", ["nan", "inf", "1E99999999999", "1E+9999999", "--1", "1.2.3"])
def test_what_only_looks_like_a_number_never_passes(text: str) -> None:
    decoded = decoder(pattern="(?P<value>.+)", unit="mm").feed(f"{text}\r\n".encode(), 0)
    assert decoded.readings == []
    assert len(decoded.faults) == 1


def test_the_first_line_is_set_aside_because_its_sign_may_have_been_sent_before() -> None:
    fresh = LinesDecoder(LinesFormat(kind="lines", pattern=r" *(?P<value>-? *\d*\.\d+)", unit="in"))
    fresh.reset(opened_ns=0)
    decoded = fresh.feed(b"0.0525\r\n    -0.0525\r\n", 1)
    assert [reading.length_nm for reading in decoded.readings] == [-1_333_500]
    assert [fault.code for fault in decoded.faults] == ["torn"]


def test_after_silence_the_first_line_is_whole() -> None:
    fresh = LinesDecoder(LinesFormat.model_validate(LINES))
    fresh.reset(opened_ns=0)
    assert len(fresh.feed(line(1_000), QUIET_NS).readings) == 1


@given(
    st.lists(st.integers(-9_999_999, 9_999_999), max_size=30),
    st.lists(st.integers(0, 500), max_size=20),
    st.sampled_from(["\r\n", "\r", ";;"]),
)
def test_how_the_bytes_are_cut_changes_nothing(steps: list[int], cuts: list[int], end: str) -> None:
    data = b"".join(line(step * 1_000)[:-2] + end.encode() for step in steps)
    fed = decoder(terminator=end)
    bounds = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    read = [r for a, b in pairwise(bounds) for r in fed.feed(data[a:b], b).readings]
    assert [reading.length_nm for reading in read] == [step * 1_000 for step in steps]


def test_a_stream_without_line_ends_is_told_once_and_keeps_no_memory() -> None:
    fed = decoder()
    faults = [fault for _ in range(200) for fault in fed.feed(b"7" * 5_000, 0).faults]
    assert [fault.code for fault in faults] == ["too_long"]
    assert len(fed._rest) <= 2
    assert len(fed.feed(b"\r\n" + line(1_000), 0).readings) == 1


def test_many_different_lines_keep_no_memory() -> None:
    fed = decoder()
    for step in range(20_000):
        fed.feed(line(step * 1_000), 0)
    assert len(fed._known) <= 2_048


def test_only_what_was_sent_or_looks_so_comes_out_of_noise() -> None:
    noise = random.Random(5)
    fed = decoder()
    read = [r for _ in range(100) for r in fed.feed(noise.randbytes(5_000), 0).readings]
    assert read == []
