"""Trace files: CSV (RFC 4180) in UTF-8 with a header, in which a run goes out and comes back bit for bit.

Columns, in any order: ``time_s``; one of ``reading_mm``, ``reading_um``, ``reading_in``; optional
``mark``, ``angle_deg``, ``flag``, ``reading2_mm`` (or ``_um``, ``_in``). Lines that begin with ``#`` are
comments; of these, ``# resolution_mm: 0.001`` tells the indicator's step. Other columns are not used.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import shorten
from typing import TextIO

import numpy as np

from analysis.decimal_text import decimal_text, lengths_from_text, texts_from_lengths
from analysis.trace import BoolArray, FloatArray, Trace
from analysis.trace_rows import Rows, read_text
from analysis.trace_times import spread_equal_times
from config.errors import InputError

TIME, MARK, ANGLE, FLAG = "time_s", "mark", "angle_deg", "flag"
READINGS = {"reading_mm": "mm", "reading_um": "um", "reading_in": "in"}
SECONDS = {"reading2_mm": "mm", "reading2_um": "um", "reading2_in": "in"}
LONGEST_NAMES = 120  # characters of them in a message: what is no table may be one long line
KNOWN = (TIME, *READINGS, MARK, ANGLE, FLAG, *SECONDS)

_MARKS = {"": False, "0": False, "1": True}
_RESOLUTION = re.compile(r"^#\s*resolution_mm\s*:\s*(\d+(?:\.\d+)?)\s*$", re.MULTILINE)
FULL_TURN_DEG = 360.0


@dataclass(frozen=True, slots=True)
class Columns:
    """Where each column of a file is; None where the file has none."""

    time: int
    reading: int
    unit: str
    mark: int | None
    angle: int | None
    flag: int | None
    second: int | None
    second_unit: str
    unused: tuple[str, ...]


def read_trace(path: Path | str) -> Trace:
    """The trace of a file.

    Times that are equal are spread evenly over the clock's step (a second, for a clock with whole
    seconds). An angle that starts again at 0 with each turn is made to grow on.

    Raises:
        InputError: what is wrong, with the file, the line, what was found and what was expected.
    """
    return read_trace_file(path)[0]


def read_trace_file(path: Path | str) -> tuple[Trace, tuple[str, ...]]:
    """The trace of a file, and the names of columns that were not used."""
    where = str(path)
    return parse_trace(read_text(Path(path), where), where)


def parse_trace(text: str, where: str) -> tuple[Trace, tuple[str, ...]]:
    """The trace in the text of a trace file, and the names of columns that were not used.

    Args:
        text: the whole file, line ends as they are.
        where: the file's name, for messages.

    Raises:
        InputError: see `read_trace`.
    """
    rows = Rows(text, where)
    columns = find_columns(rows.header, f"{where}, line {rows.header_line}")
    reader = _Reader(rows, columns)
    for chunk in rows.chunks():
        reader.add(chunk)
    return reader.trace(_stated_resolution_um(text)), columns.unused


def _stated_resolution_um(text: str) -> float | None:
    stated = _RESOLUTION.search(text) if "# resolution_mm" in text else None
    if stated is None or float(stated[1]) <= 0:
        return None
    return float(lengths_from_text([stated[1]], np.array([float(stated[1])]), "mm")[0])


def find_columns(header: Sequence[str], where: str) -> Columns:
    """Where the columns are, by their names.

    Raises:
        InputError: one is missing, or there twice.
    """
    names = [name.strip().lower() for name in header]
    for name in names:
        if name in KNOWN and names.count(name) > 1:
            raise InputError(f"the column {name} is there twice", where=where, expected="each column once")
    if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
        raise InputError(
            "the columns are not separated by commas",
            where=where,
            expected="commas between columns and decimal points in numbers",
        )
    found = shorten(", ".join(name or "(no name)" for name in names), LONGEST_NAMES, placeholder=" …")
    if TIME not in names:
        raise InputError(f"there is no column time_s, only {found}", where=where, expected=_expected())
    reading = _only(names, READINGS, where)
    if reading is None:
        raise InputError(
            f"there is no reading column, only {found}",
            where=where,
            expected="one of reading_mm, reading_um, reading_in",
        )
    second = _only(names, SECONDS, where)

    def index(name: str | None) -> int | None:
        return names.index(name) if name in names else None

    return Columns(
        time=names.index(TIME),
        reading=names.index(reading),
        unit=READINGS[reading],
        mark=index(MARK),
        angle=index(ANGLE),
        flag=index(FLAG),
        second=index(second),
        second_unit=SECONDS[second] if second else "mm",
        unused=tuple(name for name in names if name not in KNOWN),
    )


def _expected() -> str:
    return "a header row with time_s and one of reading_mm, reading_um, reading_in"


def _only(names: Sequence[str], choices: dict[str, str], where: str) -> str | None:
    found = [name for name in names if name in choices]
    if len(found) > 1:
        raise InputError(
            f"there are {len(found)} columns for one reading: {', '.join(found)}",
            where=where,
            expected="only one of them",
        )
    return found[0] if found else None


class _Reader:
    """Turns rows into arrays, chunk by chunk."""

    def __init__(self, rows: Rows, columns: Columns) -> None:
        self._rows = rows
        self._columns = columns
        self._count = 0
        self._parts: dict[str, list[FloatArray]] = {TIME: [], "reading": [], ANGLE: [], "second": []}
        self._marks: list[bool] = []
        self._flags: list[str] = []

    def add(self, chunk: list[list[str]]) -> None:
        """Take the next rows."""
        at, texts = self._columns, list(zip(*chunk, strict=True))
        self._parts[TIME].append(self._numbers(texts[at.time], TIME))
        name = f"reading_{at.unit}"
        values = self._numbers(texts[at.reading], name)
        self._parts["reading"].append(lengths_from_text(texts[at.reading], values, at.unit))
        if at.mark is not None:
            self._marks += self._to_marks(texts[at.mark])
        if at.angle is not None:
            self._parts[ANGLE].append(self._numbers(texts[at.angle], ANGLE, may_be_empty=True))
        if at.flag is not None:
            self._flags += texts[at.flag]
        if at.second is not None:
            self._parts["second"].append(self._second(texts[at.second]))
        self._count += len(chunk)

    def _second(self, texts: Sequence[str]) -> FloatArray:
        unit = self._columns.second_unit
        values = self._numbers(texts, f"reading2_{unit}", may_be_empty=True)
        given = np.isfinite(values)
        values[given] = lengths_from_text(
            [text for text, there in zip(texts, given, strict=True) if there], values[given], unit
        )
        return values

    def _numbers(self, texts: Sequence[str], name: str, *, may_be_empty: bool = False) -> FloatArray:
        try:
            if may_be_empty:
                values = np.array([float(text) if text.strip() else np.nan for text in texts])
                wrong = ~np.isfinite(values) & np.array([bool(text.strip()) for text in texts])
            else:
                values = np.array(list(map(float, texts)))
                wrong = ~np.isfinite(values)
        except ValueError:
            self._refuse_number(texts, name)
        if np.any(wrong):
            row = int(np.argmax(wrong))
            raise self._error(row, f"{name} is {_shown(texts[row])}", "a finite number")
        if "_" in "".join(texts):  # Python reads 1_000 as a number; a file must not
            row = next(row for row, text in enumerate(texts) if "_" in text)
            raise self._error(row, f"{name} is {_shown(texts[row])}", "a number with a decimal point")
        return values

    def _refuse_number(self, texts: Sequence[str], name: str) -> None:
        for row, text in enumerate(texts):
            if not _is_number(text):
                found = f"{name} is {_shown(text)}" if text.strip() else f"{name} is empty"
                raise self._error(row, found, "a number with a decimal point")

    def _to_marks(self, texts: Sequence[str]) -> list[bool]:
        try:
            return [_MARKS[text.strip()] for text in texts]
        except KeyError:
            row = next(row for row, text in enumerate(texts) if text.strip() not in _MARKS)
            raise self._error(row, f"mark is {_shown(texts[row])}", "1, 0 or empty") from None

    def _error(self, row: int, what: str, expected: str) -> InputError:
        return InputError(what, where=self._rows.place(self._count + row), expected=expected)

    def trace(self, resolution_um: float | None) -> Trace:
        """The whole trace, once all rows are in."""
        if not self._count:
            raise InputError(
                "there are no readings", where=self._rows.where, expected="rows below the header"
            )
        time_s = np.concatenate(self._parts[TIME])
        back = np.flatnonzero(np.diff(time_s) < 0)
        if back.size:
            row = int(back[0]) + 1
            found = f"time_s goes back from {decimal_text(time_s[row - 1])} to {decimal_text(time_s[row])}"
            raise InputError(found, where=self._rows.place(row), expected="times that never decrease")
        flags = np.array([flag.strip() for flag in self._flags], dtype=np.str_)
        return Trace(
            time_s=spread_equal_times(time_s),
            reading_um=np.concatenate(self._parts["reading"]),
            mark=np.array(self._marks) if any(self._marks) else None,
            angle_deg=_grown(_joined(self._parts[ANGLE])),
            flag=flags if any(self._flags) else None,
            reading2_um=_joined(self._parts["second"]),
            resolution_um=resolution_um,
            unit=self._columns.unit,
        )


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:40] + "…")


def _joined(parts: list[FloatArray]) -> FloatArray | None:
    """One array, or None when nothing in it is known."""
    values = np.concatenate(parts) if parts else np.empty(0)
    return values if np.any(np.isfinite(values)) else None


def _grown(angle_deg: FloatArray | None) -> FloatArray | None:
    """An angle within one turn that jumps by more than half a turn starts again there: let it go on."""
    if angle_deg is None:
        return None
    known = np.isfinite(angle_deg)
    inside = angle_deg[known]
    if np.min(inside) < 0 or np.max(inside) > FULL_TURN_DEG:
        return angle_deg
    grown = angle_deg.copy()
    grown[known] = np.unwrap(inside, period=FULL_TURN_DEG)
    return grown


def write_trace(trace: Trace, file: TextIO, comments: Sequence[str] = ()) -> None:
    """Write a trace so that `read_trace` gives the very same one.

    Args:
        trace: what to write; its times, if equal, are spread already.
        file: opened for text with ``newline=""``.
        comments: lines put in front, each behind ``# ``.
    """
    for comment in comments:
        file.write(f"# {' '.join(comment.split())}\r\n")
    if trace.resolution_um is not None:
        step_mm = texts_from_lengths(np.array([trace.resolution_um]), "mm")[0]
        file.write(f"# resolution_mm: {step_mm}\r\n")
    columns: dict[str, Sequence[str]] = {
        TIME: [decimal_text(value) for value in trace.time_s.tolist()],
        f"reading_{trace.unit}": texts_from_lengths(trace.reading_um, trace.unit),
    }
    if trace.mark is not None:
        columns[MARK] = _mark_texts(trace.mark)
    if trace.angle_deg is not None:
        columns[ANGLE] = [decimal_text(v) if np.isfinite(v) else "" for v in trace.angle_deg.tolist()]
    if trace.flag is not None:
        columns[FLAG] = [str(flag) for flag in trace.flag.tolist()]
    if trace.reading2_um is not None:
        columns[f"reading2_{trace.unit}"] = _second_texts(trace.reading2_um, trace.unit)
    writer = csv.writer(file)
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))


def _mark_texts(mark: BoolArray) -> list[str]:
    return ["1" if passed else "" for passed in mark.tolist()]


def _second_texts(reading_um: FloatArray, unit: str) -> list[str]:
    given = np.isfinite(reading_um)
    written = iter(texts_from_lengths(reading_um[given], unit))
    return [next(written) if there else "" for there in given.tolist()]


def write_trace_file(trace: Trace, path: Path, comments: Sequence[str] = ()) -> None:
    """Write a trace to a new file, or over an old one.

    Raises:
        InputError: the file cannot be written.
    """
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            write_trace(trace, file, comments)
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(path)) from error
