from __future__ import annotations

import io
import time
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.trace import Trace
from analysis.trace_file import parse_trace, read_trace, read_trace_file, write_trace, write_trace_file
from analysis.trace_times import spread_equal_times
from config.errors import InputError

MANY = 250_000


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "trace.csv"


def read(file: Path, text: str) -> Trace:
    file.write_bytes(text.encode())
    return read_trace(file)


def refused(file: Path, content: str | bytes) -> str:
    """The message without the folder of the file."""
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(InputError) as caught:
        read_trace(file)
    message = str(caught.value)
    assert message.startswith(str(file))
    return message.removeprefix(str(file))


def test_a_plain_file(file: Path) -> None:
    trace = read(file, "time_s,reading_mm\n0,0.001\n0.02,-0.0005\n0.04,1e-3\n")
    assert trace.time_s.tolist() == [0, 0.02, 0.04]
    assert trace.reading_um.tolist() == [1.0, -0.5, 1.0]
    assert (trace.unit, trace.mark, trace.angle_deg, trace.flag) == ("mm", None, None, None)
    assert trace.reading2_um is None
    assert trace.resolution_um is None


def test_order_case_blanks_quotes_comments_and_line_ends_do_not_matter(file: Path) -> None:
    text = (
        "\ufeff# a comment\r\n# resolution_mm: 0.0005\r\n"
        ' flag ,"reading_in",MARK,other,time_s,angle_deg,reading2_in\r\n'
        "# between\r\n"
        '"battery low, ""L""\n# still the flag",.002,1,x,0,10,\r\n'
        "\r\n"
        ",-.0005,,y,1,20,0.01\r\n"
    )
    file.write_bytes(text.encode())
    trace, unused = read_trace_file(file)
    assert unused == ("other",)
    assert trace.reading_um.tolist() == [50.8, -12.7]
    assert trace.unit == "in"
    assert trace.mark is not None
    assert trace.mark.tolist() == [True, False]
    assert trace.flag is not None
    assert trace.flag.tolist() == ['battery low, "L"\n# still the flag', ""]
    assert trace.angle_deg is not None
    assert trace.angle_deg.tolist() == [10, 20]
    assert trace.reading2_um is not None
    assert np.isnan(trace.reading2_um[0])
    assert trace.reading2_um[1] == 254
    assert trace.resolution_um == 0.5


def test_columns_that_say_nothing_are_as_if_not_there(file: Path) -> None:
    trace = read(file, "time_s,reading_um,mark,flag,angle_deg,reading2_um\n0,1,,,,\n1,2,0,,,\n")
    assert (trace.mark, trace.flag, trace.angle_deg, trace.reading2_um) == (None, None, None, None)


def test_an_angle_that_starts_again_with_each_turn_grows_on(file: Path) -> None:
    text = "time_s,reading_um,angle_deg\n0,1,170\n1,1,350\n2,1,\n3,1,10\n4,1,190\n5,1,5\n6,1,355\n"
    angle = read(file, text).angle_deg
    assert angle is not None
    assert angle[[0, 1, 3, 4, 5, 6]].tolist() == [170, 350, 370, 550, 725, 715]


def test_whole_seconds_are_spread_evenly_over_their_second(file: Path) -> None:
    rows = "".join(f"{t},0\n" for t in (0, 0, 1, 1, 1, 1, 4, 4, 5))
    trace = read(file, "time_s,reading_mm\n" + rows)
    assert trace.time_s.tolist() == [0, 0.5, 1, 1.25, 1.5, 1.75, 4, 4.5, 5]


def test_times_that_are_all_equal_share_one_second() -> None:
    assert spread_equal_times(np.zeros(4)).tolist() == [0, 0.25, 0.5, 0.75]


def test_a_clock_that_moves_once_a_minute_keeps_its_pace_at_both_ends() -> None:
    """6 readings a minute; the log begins with 2 of a minute and ends with 3."""
    given_s = np.repeat([0.0, 60, 120, 180], [2, 6, 6, 3])
    assert spread_equal_times(given_s) == pytest.approx(np.arange(17) * 10 + 40)


def test_times_without_equals_are_left_alone() -> None:
    time_s = np.array([0.0, 0.1, 0.15])
    assert spread_equal_times(time_s) is time_s


def test_the_real_recordings_read_as_they_are_written(datasets: Path, file: Path) -> None:
    """Public recordings of a real indicator, times in whole seconds (see their README for the source)."""
    for name in ("set1_E16", "set2_E04", "set2_E06"):
        lines = (datasets / "gear_tip_indicator" / f"{name}.csv").read_text().splitlines()
        body = [line.split(",") for line in lines if not line.startswith("#")][1:]
        text = "time_s,reading_mm\n" + "".join(f"{row[0]},{row[1]}\n" for row in body)
        trace = read(file, text)
        assert trace.reading_um.tolist() == [float(Decimal(row[1]) * 1000) for row in body]
        assert np.all(np.diff(trace.time_s) > 0)


BAD = {
    "": ": is empty; expected a header row with time_s and a reading column",
    "# only\n": ": is empty; expected a header row with time_s and a reading column",
    "time_s,reading_mm\n": ": there are no readings; expected rows below the header",
    "reading_mm\n1\n": ", line 1: there is no column time_s, only reading_mm; expected a header row with"
    " time_s and one of reading_mm, reading_um, reading_in",
    "#\ntime_s,readng_mm\n0,1\n": ", line 2: there is no reading column, only time_s, readng_mm; expected"
    " one of reading_mm, reading_um, reading_in",
    "time_s,reading_mm,reading_in\n0,1,1\n": ", line 1: there are 2 columns for one reading: reading_mm,"
    " reading_in; expected only one of them",
    "time_s,time_s,reading_mm\n0,0,1\n": ", line 1: the column time_s is there twice; expected each column"
    " once",
    "time_s;reading_mm\n0;0,1\n": ", line 1: the columns are not separated by commas; expected commas"
    " between columns and decimal points in numbers",
    "time_s,reading_mm\n0,1\n1,abc\n": ", line 3: reading_mm is 'abc'; expected a number with a decimal"
    " point",
    "time_s,reading_mm\n0,1\n\n# c\n1,\n": ", line 5: reading_mm is empty; expected a number with a"
    " decimal point",
    'time_s,reading_mm\n0,"0,051"\n': ", line 2: reading_mm is '0,051'; expected a number with a decimal"
    " point",
    "time_s,reading_mm\n0,1_0\n": ", line 2: reading_mm is '1_0'; expected a number with a decimal point",
    "time_s,reading_mm\n0,nan\n": ", line 2: reading_mm is 'nan'; expected a finite number",
    "time_s,reading_mm\n0,1\n1,-inf\n": ", line 3: reading_mm is '-inf'; expected a finite number",
    "time_s,reading_mm\nNaN,1\n": ", line 2: time_s is 'NaN'; expected a finite number",
    "time_s,reading_mm,angle_deg\n0,1,inf\n": ", line 2: angle_deg is 'inf'; expected a finite number",
    "time_s,reading_mm,reading2_mm\n0,1,x\n": ", line 2: reading2_mm is 'x'; expected a number with a"
    " decimal point",
    "time_s,reading_mm\n0,1\n2,1\n1.5,1\n": ", line 4: time_s goes back from 2 to 1.5; expected times that"
    " never decrease",
    "time_s,reading_mm\n0,0,051\n": ", line 2: the row has 3 fields; expected 2 as in the header, with"
    " decimal points and no decimal commas",
    "time_s,reading_mm\n0,1\n1\n": ", line 3: the row has 1 fields; expected 2 as in the header, with"
    " decimal points and no decimal commas",
    "time_s,reading_mm,mark\n0,1,yes\n": ", line 2: mark is 'yes'; expected 1, 0 or empty",
    'time_s,reading_mm\n0,"1\n': ", line 2: is not CSV: unexpected end of data; expected RFC 4180",
}


@pytest.mark.parametrize(("text", "message"), BAD.items())
def test_what_is_wrong_is_said_with_line_and_what_was_expected(file: Path, text: str, message: str) -> None:
    assert refused(file, text) == message


def test_text_that_is_not_utf8_is_refused_with_its_line(file: Path) -> None:
    assert refused(file, b"time_s,reading_mm,flag\n0,1,\n1,1,\xb5\n") == (
        ", line 3: byte 0xb5 is not UTF-8 text; expected UTF-8; save it as 'CSV UTF-8'"
    )
    assert refused(file, "time_s,reading_mm\n".encode("utf-16")) == (
        ": is UTF-16 text; expected UTF-8; save it as 'CSV UTF-8'"
    )


def test_a_file_that_is_not_there_or_a_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file or directory; expected a trace file"):
        read_trace(tmp_path / "none.csv")
    with pytest.raises(InputError, match="cannot be read: Is a directory"):
        read_trace(tmp_path)


def test_a_wrong_line_far_down_is_found_by_its_number(file: Path) -> None:
    rows = [f"{i},0.001\n" for i in range(120_000)]
    rows[110_000] = "110000,oops\n"
    assert refused(file, "# c\ntime_s,reading_mm\n" + "".join(rows)).startswith(", line 110003: ")


lengths = st.one_of(
    st.integers(-(10**10), 10**10).map(lambda nm: nm / 1000),
    st.integers(-(10**6), 10**6).map(lambda step: step * 1270 / 1000),
    st.floats(-1e7, 1e7, allow_nan=False),
)


@given(
    readings=st.lists(lengths, min_size=1, max_size=20),
    start=st.floats(-1e4, 1e4),
    steps=st.lists(st.floats(1e-6, 1e3), min_size=20, max_size=20),
    unit=st.sampled_from(["mm", "um", "in"]),
    flag=st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=8),
    second=st.lists(st.one_of(lengths, st.just(float("nan"))), min_size=20, max_size=20),
    resolution_nm=st.one_of(st.none(), st.integers(1, 10**6)),
)
def test_what_is_written_is_read_back_bit_for_bit(
    readings: list[float],
    start: float,
    steps: list[float],
    unit: str,
    flag: str,
    second: list[float],
    resolution_nm: int | None,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    n = len(readings)
    mark = np.zeros(n, dtype=np.bool_)
    mark[n // 2] = True
    trace = Trace(
        time_s=start + np.cumsum(steps)[:n],
        reading_um=np.array(readings),
        mark=mark,
        angle_deg=np.linspace(-5.5, 1234.567, n),
        flag=np.array([flag.strip()] * n, dtype=np.str_) if flag.strip() else None,
        reading2_um=np.array(second[:n]) if np.any(np.isfinite(second[:n])) else None,
        resolution_um=None if resolution_nm is None else resolution_nm / 1000,
        unit=unit,
    )
    path = tmp_path_factory.getbasetemp() / "again.csv"
    write_trace_file(trace, path, ["a comment\nof two lines"])
    again = read_trace(path)
    for name in ("time_s", "reading_um", "mark", "angle_deg", "flag", "reading2_um"):
        wanted, found = getattr(trace, name), getattr(again, name)
        assert (wanted is None) == (found is None), name
        if wanted is not None:
            assert np.array_equal(wanted, found, equal_nan=name == "reading2_um"), name
    assert (again.unit, again.resolution_um) == (trace.unit, trace.resolution_um)


def test_whole_nanometres_are_written_as_exact_decimals() -> None:
    def written(nm: list[int], unit: str) -> list[str]:
        text = io.StringIO()
        um = np.array(nm) / 1000
        write_trace(Trace(time_s=np.arange(len(nm)) / 50, reading_um=um, unit=unit), text)
        return [line.split(",")[1] for line in text.getvalue().splitlines()]

    assert written([51_000, -1_000, 0], "mm") == ["reading_mm", "0.051", "-0.001", "0.000"]
    assert written([1_270, 12_700_000], "mm") == ["reading_mm", "0.00127", "12.70000"]
    assert written([50_800, 12_700, -1_270], "in") == ["reading_in", "0.00200", "0.00050", "-0.00005"]
    third = written([1_000, 254], "in")[1]  # 1 um is no decimal fraction of an inch
    assert abs(Fraction(third) * 25_400 - 1) < Fraction(1, 10**30)
    assert written([500], "um") == ["reading_um", "0.5"]


def test_a_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    trace = Trace(time_s=np.zeros(1), reading_um=np.zeros(1))
    with pytest.raises(InputError, match="cannot be written: "):
        write_trace_file(trace, tmp_path / "none" / "x.csv")


def test_a_million_rows_would_take_seconds(file: Path) -> None:
    time_s = np.arange(MANY) * 10_000_000 / 1e9
    reading_um = np.random.default_rng(1).integers(-50_000, 50_000, MANY) / 1.0
    write_trace_file(Trace(time_s=time_s, reading_um=reading_um), file)
    started = time.process_time()  # a busy machine must not fail it
    trace = read_trace(file)
    assert time.process_time() - started < 3  # some 0.4 s
    assert np.array_equal(trace.time_s, time_s)
    assert np.array_equal(trace.reading_um, reading_um)


def test_what_is_no_table_is_not_read_out_whole() -> None:
    with pytest.raises(InputError) as told:
        parse_trace("Some prose, " * 60 + "\n", "prose.csv")
    assert len(told.value.line()) < 400
