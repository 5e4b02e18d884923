"""The rows of a trace file, without its comments, and the line on which each stands."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from config.errors import InputError

LARGEST_FILE_BYTES = (
    500_000_000  # some 25 million readings: days of a run, and no more memory than a laptop has
)
ROWS_AT_ONCE = 50_000


def read_text(path: Path, where: str) -> str:
    """The text of a file, without its byte-order mark.

    Raises:
        InputError: it cannot be read, is too large, or is not UTF-8.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=where, expected="a trace file") from error
    if len(content) > LARGEST_FILE_BYTES:
        raise InputError(
            f"is larger than {LARGEST_FILE_BYTES // 1_000_000} MB", where=where, do="split it into runs"
        )
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError("is UTF-16 text", where=where, expected="UTF-8", do="save it as 'CSV UTF-8'")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{content[error.start]:02x} is not UTF-8 text"
        raise InputError(
            found, where=f"{where}, line {line}", expected="UTF-8", do="save it as 'CSV UTF-8'"
        ) from error


class _Lines:
    """The lines of a text without comments. A ``#`` inside a quoted field is no comment."""

    def __init__(self, text: str) -> None:
        self._lines = io.StringIO(text, newline="")
        self._quotes = '"' in text
        self._inside = False
        self.number = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        while True:
            line = next(self._lines)
            self.number += 1
            if line.startswith("#") and not self._inside:
                continue
            if self._quotes and line.count('"') % 2:
                self._inside = not self._inside
            return line


class Rows:
    """The header and the rows of a file.

    Raises:
        InputError: an empty file, a row of another length than the header, quotes that do not close.
    """

    def __init__(self, text: str, where: str) -> None:
        self.where = where
        self._text = text
        self._lines = _Lines(text)
        self._csv = csv.reader(self._lines, strict=True)
        self.header = self._first()
        self.header_line = self._lines.number

    def _first(self) -> list[str]:
        try:
            row = next((row for row in self._csv if row), None)
        except csv.Error as error:
            raise self._unreadable(error) from error
        if row is None:
            raise InputError(
                "is empty", where=self.where, expected="a header row with time_s and a reading column"
            )
        return row

    def chunks(self) -> Iterator[list[list[str]]]:
        """The rows below the header, empty lines left out, many at a time."""
        count, width = 0, len(self.header)
        while True:
            try:
                rows = list(islice(self._csv, ROWS_AT_ONCE))
            except csv.Error as error:
                raise self._unreadable(error) from error
            if not rows:
                return
            kept = [row for row in rows if row]
            for index, row in enumerate(kept):
                if len(row) != width:
                    raise self._ragged(count + index, len(row))
            count += len(kept)
            if kept:
                yield kept

    def _ragged(self, row: int, found: int) -> InputError:
        return InputError(
            f"the row has {found} fields",
            where=self.place(row),
            expected=f"{len(self.header)} as in the header, with decimal points and no decimal commas",
        )

    def _unreadable(self, error: csv.Error) -> InputError:
        return InputError(
            f"is not CSV: {error}", where=f"{self.where}, line {self._lines.number}", expected="RFC 4180"
        )

    def place(self, row: int) -> str:
        """File and line of a row below the header, counted from 0; reads the text again."""
        lines = _Lines(self._text)
        rows = (found for found in csv.reader(lines, strict=True) if found)
        next(islice(rows, row + 1, None), None)
        return f"{self.where}, line {lines.number}"
