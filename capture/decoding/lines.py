"""Text lines to readings, torn, joined or garbled as they come."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal, DecimalException

from capture.reading import Decoded, Fault, Reading, shown
from config.indicators import LinesFormat, Unit
from config.lengths import LARGEST_LENGTH_NM, nm_from_decimal

QUIET_NS = 50_000_000
"""A line that begins after this much silence since the port was opened is a whole one: the rest of
a torn line follows at once, at most a USB converter's 16 ms later."""

REMEMBERED_LINES = 2_048
LONGEST_NUMBER = 40
LARGEST_EXPONENT = 30
STRAY = b"\r\n\x00"

_new: Callable[[type[Reading], tuple[object, ...]], Reading] = tuple.__new__
"""As `Reading._make` and twice as quick: by far the most of what this module makes."""

Meaning = tuple[int, Unit, str | None, str | None]


class _UnreadableError(Exception):
    """A line that is no reading: code and sentence."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code


class LinesDecoder:
    """Decodes a stream of lines with the pattern of a `LinesFormat`.

    What stands before the first line end after opening may be the tail of a line whose sign or
    leading digits were sent before, so it is set aside unless silence came before it. An indicator
    held against a part repeats few distinct lines: what each means is remembered, which makes the
    common line one look-up.

    Args:
        form: the format.
        whole_from_start: the first bytes begin a line (an answer to a query does).
    """

    def __init__(self, form: LinesFormat, *, whole_from_start: bool = False) -> None:
        self._pattern = re.compile(form.pattern)
        self._form = form
        self._end = form.terminator.encode("latin-1")
        self._has_unit = "unit" in self._pattern.groupindex
        self._has_status = "status" in self._pattern.groupindex
        self._always_whole = whole_from_start
        self._known: dict[bytes, Meaning] = {}
        self.reset()

    def reset(self, opened_ns: int | None = None) -> None:
        """See `Decoder`."""
        self._rest = b""
        self._opened_ns = opened_ns
        self._skipping = not self._always_whole
        self._torn = self._skipping
        self._started = False

    def feed(self, data: bytes, t_ns: int) -> Decoded:
        """See `Decoder`."""
        if not self._started and data:
            self._started = True
            if self._opened_ns is not None and t_ns - self._opened_ns >= QUIET_NS:
                self._skipping = self._torn = False
        lines = (self._rest + data).split(self._end)
        self._rest = lines.pop()
        faults: list[Fault] = []
        if lines and self._skipping:
            first = lines.pop(0)
            if self._torn and first:
                faults.append(Fault(t_ns, "torn", "the first line may lack its beginning", shown(first)))
            self._skipping = self._torn = False
        readings = self._read_all(lines, t_ns, faults)
        self._bound_rest(t_ns, faults)
        return Decoded(readings, faults)

    def _read_all(self, lines: list[bytes], t_ns: int, faults: list[Fault]) -> list[Reading]:
        known = self._known
        try:  # the common chunk: every line was seen before
            meanings = [known[line] for line in lines]
        except KeyError:
            return self._read_each(lines, t_ns, faults)
        return [_new(Reading, (t_ns, *meaning)) for meaning in meanings]

    def _read_each(self, lines: list[bytes], t_ns: int, faults: list[Fault]) -> list[Reading]:
        known = self._known
        readings: list[Reading] = []
        for line in lines:
            meaning = known.get(line)
            if meaning is None:
                bare = line.strip(STRAY)
                if not bare:
                    continue
                try:
                    meaning = self._read(bare)
                except _UnreadableError as error:
                    faults.append(Fault(t_ns, error.code, str(error), shown(bare)))
                    continue
                if len(known) >= REMEMBERED_LINES:
                    known.clear()
                known[line] = meaning
            readings.append(Reading(t_ns, *meaning))
        return readings

    def _bound_rest(self, t_ns: int, faults: list[Fault]) -> None:
        """Keep no more than a line: without an end in sight skip to the next one, told once."""
        keep = len(self._end) - 1  # the end itself may be torn
        if self._skipping:
            self._rest = self._rest[len(self._rest) - keep :] if keep else b""
        elif len(self._rest) > self._form.longest + keep:
            text = f"no line end within {self._form.longest} bytes"
            faults.append(Fault(t_ns, "too_long", text, shown(self._rest)))
            self._skipping = True
            self._rest = self._rest[len(self._rest) - keep :] if keep else b""

    def _read(self, line: bytes) -> Meaning:
        if len(line) > self._form.longest:
            raise _UnreadableError("too_long", f"a line of more than {self._form.longest} bytes")
        text = line.decode("latin-1")
        match = self._pattern.fullmatch(text)
        if match is None:
            raise _UnreadableError("unreadable", "the line is not what the description expects")
        unit = self._unit(match)
        length_nm = self._form.sign * _exact_nm(match["value"], unit)
        flag = self._status(match)
        return length_nm, unit, flag, shown(line) if flag else None

    def _unit(self, match: re.Match[str]) -> Unit:
        said = match["unit"] if self._has_unit else None
        if said is None:
            if self._form.unit is None:
                raise _UnreadableError("no_unit", "the line names no unit")
            return self._form.unit
        unit = self._form.units.get(said) or self._form.units.get(said.strip())
        if unit is None:
            known = ", ".join(self._form.units)
            raise _UnreadableError(
                "unknown_unit", f"unknown unit {said.strip()!r}; the description has {known}"
            )
        return unit

    def _status(self, match: re.Match[str]) -> str | None:
        said = match["status"] if self._has_status else None
        if not said:
            return None
        bad = self._form.status_bad
        return bad.get(said) or bad.get(said.strip())


def _exact_nm(value: str, unit: Unit) -> int:
    """Whole nanometres of a number as indicators write it: blanks after the sign, decimal comma, exponent."""
    text = value.replace(" ", "").replace(",", ".")
    if len(text) > LONGEST_NUMBER:
        raise _UnreadableError("unreadable", f"a number of more than {LONGEST_NUMBER} characters")
    try:
        number = Decimal(text)
    except DecimalException as error:
        raise _UnreadableError("unreadable", f"{text!r} is not a number") from error
    if not number.is_finite():
        raise _UnreadableError("unreadable", f"{text!r} is not a number")
    if number and not -LARGEST_EXPONENT <= number.adjusted() <= LARGEST_EXPONENT:
        raise _UnreadableError("out_of_range", f"{text} {unit} is no length at a wheel end")
    length_nm = nm_from_decimal(number, unit)
    if abs(length_nm) > LARGEST_LENGTH_NM:
        raise _UnreadableError("out_of_range", f"{text} {unit} is longer than 10 m")
    return length_nm
