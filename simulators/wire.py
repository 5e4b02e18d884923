"""What an indicator sends: its readings as bytes, in the image of its description.

Written without a look at how the station reads them, so that the two hold each other to the description.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

from config.errors import InputError
from config.indicators import FramesFormat, GattFormat, Indicator, LinesFormat, PolledFormat
from config.lengths import NM_PER_UNIT
from simulators.checks import check_bytes
from simulators.indicator import STATUSES, Readings, Status

SHOWN_DECIMALS = {"mm": 3, "in": 5, "um": 0}
IDENTITY = "INVENTED WORKSHOP,BENCH INDICATOR,INVENTED-0000,1.0"
METRE, INCH = 0x2701, 0x27A2


class Shown(NamedTuple):
    """One reading as the indicator shows it."""

    length_nm: int
    inch: bool = False
    status: Status = ""


def shown(readings: Readings) -> list[Shown]:
    """The readings one by one."""
    codes = (STATUSES[code] for code in readings.status.tolist())
    return [
        Shown(*row) for row in zip(readings.length_nm.tolist(), readings.inch.tolist(), codes, strict=True)
    ]


Encoder = Callable[[Shown], bytes]


def encoder_of(indicator: Indicator) -> Encoder:
    """The function that turns a reading into the bytes of one message, terminator or check included.

    Raises:
        InputError: the description gives no example that could be followed.
    """
    form = indicator.format
    if isinstance(form, LinesFormat):
        return lru_cache(maxsize=4096)(LineWriter(form, indicator.name))
    if isinstance(form, FramesFormat):
        return FrameWriter(form)
    assert isinstance(form, GattFormat)
    presentation = presentation_of(indicator)
    return lambda reading: presentation.value(form.sign * reading.length_nm)


class LineWriter:
    """Writes lines in the image of an example: same width, sign style, decimals and blanks."""

    def __init__(self, form: LinesFormat, name: str = "indicator") -> None:
        self._form = form
        self._pattern = re.compile(form.pattern)
        if form.example is None:
            raise InputError(
                "has no example of a line to speak after",
                where=f"indicator {name!r}",
                do='add example = "…" to its format',
            )
        self._example = form.example
        match = self._pattern.fullmatch(form.example)
        assert match is not None  # the description was checked
        self._spans = {key: match.span(key) for key in self._pattern.groupindex if match[key] is not None}
        self._value = match["value"]
        said = match["unit"] if "unit" in self._spans else None
        self._unit = form.unit if said is None else form.units.get(said) or form.units[said.strip()]

    def __call__(self, reading: Shown) -> bytes:
        """One line with its terminator."""
        unit = "in" if reading.inch else "um" if self._unit == "um" else "mm"
        value = Decimal(self._form.sign * reading.length_nm) / NM_PER_UNIT[unit]
        for text in self._candidates(value, unit):
            line = self._line(text, unit, reading.status)
            match = self._pattern.fullmatch(line)
            if match and _bare(match["value"]) == _bare(text):
                return (line + self._form.terminator).encode("latin-1")
        raise InputError(f"cannot write {value} {unit} in the image of {self._example!r}")

    def _candidates(self, value: Decimal, unit: str) -> list[str]:
        """The number as text, most like the example first."""
        sign = re.match(r"[+-]?", self._value)
        style = sign[0] if sign else ""
        plus = {"+": ["+", ""], "-": ["", "+"], "": ["", "+"]}[style]
        number = self._number(abs(value), unit)
        signs = ["-"] if value < 0 else plus
        between = re.match(r"[+-]? *", self._value)
        gap = len(between[0]) - len(style) if between else 0
        width = len(self._value)
        padded = [s + " " * max(0, width - len(s) - len(number)) + number for s in signs if gap]
        return [*padded, *(s + number for s in signs)]

    def _number(self, value: Decimal, unit: str) -> str:
        bare = self._value.lstrip("+- ")
        mantissa, exponent_mark, exponent = re.match(r"([\d.,]*)([eE]?)(.*)", bare).groups()  # type: ignore[union-attr]
        whole, point, fraction = re.match(r"(\d*)([.,]?)(\d*)", mantissa).groups()  # type: ignore[union-attr]
        decimals = len(fraction) if exponent_mark or unit == self._unit else SHOWN_DECIMALS[unit]
        if exponent_mark:
            text = f"{value:.{decimals}e}" if value else f"{0:.{decimals}f}e+0"
            digits, power = text.split("e")
            width = len(exponent.lstrip("+-"))
            text = f"{digits}{exponent_mark}{power[0]}{power[1:].zfill(width)}"
        else:
            text = f"{value:.{decimals}f}"
            if len(whole) > 1 and whole.startswith("0"):
                text = text.zfill(len(mantissa))
            if not whole:
                text = text.removeprefix("0")
        return text.replace(".", point or ".")

    def _line(self, text: str, unit: str, status: Status) -> str:
        pieces = {"value": text}
        if "unit" in self._spans:
            pieces["unit"] = self._unit_text(unit)
        if "status" in self._spans and status:
            pieces["status"] = self._status_text(status)
        line, moved = self._example, 0
        for key, (start, end) in sorted(self._spans.items(), key=lambda item: item[1]):
            if key not in pieces:
                continue
            new = pieces[key].rjust(end - start) if key == "value" and start == 0 else pieces[key]
            start, end = start + moved, end + moved
            before = line[:start]
            if key == "value":  # a longer or shorter number is taken from or given to the blanks before it
                longer = len(new) - (end - start)
                blanks = len(before) - len(before.rstrip(" "))
                before = before[: len(before) - min(blanks, longer)] if longer > 0 else before + " " * -longer
            line_after = line[end:]
            moved += len(before) + len(new) + len(line_after) - len(line)
            line = before + new + line_after
        return line

    def _unit_text(self, unit: str) -> str:
        start, end = self._spans["unit"]
        texts = [text for text, means in self._form.units.items() if means == unit]
        if not texts:
            raise InputError(f"the description has no text for unit {unit}")
        fitting = [text for text in texts if len(text) == end - start]
        if fitting:
            return fitting[0]
        leads = self._example[start].isspace()
        return texts[0].rjust(end - start) if leads else texts[0].ljust(end - start)

    def _status_text(self, status: Status) -> str:
        start, end = self._spans["status"]
        for text, why in self._form.status_bad.items():
            if status in why:
                return text.ljust(end - start)
        return self._example[start:end]


def _bare(number: str) -> str:
    return number.replace(" ", "").replace(",", ".")


class FrameWriter:
    """Writes binary frames."""

    def __init__(self, form: FramesFormat) -> None:
        self._form = form

    def __call__(self, reading: Shown) -> bytes:
        """One whole frame."""
        form = self._form
        frame = bytearray(form.size)
        frame[: len(form.start) // 2] = bytes.fromhex(form.start)
        step = form.inch_step if reading.inch and form.inch_step else form.step
        width = {"h": 2, "i": 4}.get(form.value_type[-1], 3)
        count = round(form.sign * reading.length_nm / step)
        order = "little" if form.value_type.startswith("<") else "big"
        frame[form.value_at : form.value_at + width] = count.to_bytes(width, order, signed=True)  # type: ignore[arg-type]
        if form.status_at is not None:
            frame[form.status_at] |= self._status(reading)
        if form.check is not None and form.check_at is not None:
            check = check_bytes(form.check, bytes(frame[: form.check_at]))
            frame[form.check_at : form.check_at + len(check)] = check
        return bytes(frame)

    def _status(self, reading: Shown) -> int:
        bits = int(self._form.inch_bit, 16) if reading.inch and self._form.inch_bit else 0
        for mask, why in self._form.status_bad.items():
            if reading.status and reading.status in why:
                bits |= int(mask, 16)
        return bits


@dataclass(frozen=True, slots=True)
class Presentation:
    """A characteristic's form: the Presentation Format descriptor 0x2904 (Core Specification 3.G.3.3.3.5).

    Attributes:
        code: format, 0x0F a signed integer of 3 bytes, 0x10 of 4 (Assigned Numbers).
        exponent: of ten.
        unit: metre 0x2701 or inch 0x27A2; the list has no millimetre.
    """

    code: int = 0x10
    exponent: int = -6
    unit: int = METRE

    def descriptor(self) -> bytes:
        """The 7 bytes of the descriptor: namespace 1, no description."""
        return struct.pack("<BbHBH", self.code, self.exponent, self.unit, 1, 0)

    def value(self, length_nm: int) -> bytes:
        """The characteristic's value, lowest byte first."""
        unit_nm = Decimal(25_400_000 if self.unit == INCH else 1_000_000_000)
        count = int((Decimal(length_nm) / unit_nm.scaleb(self.exponent)).to_integral_value())
        return count.to_bytes({0x0E: 2, 0x0F: 3, 0x10: 4}[self.code], "little", signed=True)


def presentation_of(indicator: Indicator) -> Presentation:
    """The form that holds the indicator's step exactly: inch for an inch step, else metre."""
    step_nm = indicator.resolution_nm
    if step_nm % 254 == 0:
        return Presentation(0x10, -6 if step_nm % 2540 else -5, INCH)
    return Presentation(0x10, -6 if step_nm % 1000 == 0 else -7 if step_nm % 100 == 0 else -9, METRE)


class Polled:
    """Answers queries: the reading when asked for it, who it is when asked for that, else nothing.

    Args:
        indicator: its description.
        waits: a query for which there is no reading yet is answered when there is one.
    """

    def __init__(self, indicator: Indicator, *, waits: bool = False) -> None:
        assert isinstance(indicator.format, PolledFormat)
        self._form = indicator.format
        self._encode = encoder_of(indicator)
        self._identity = IDENTITY.replace("INVENTED-0000", indicator.serial_number or "0")
        self._heard = b""
        self._waits = waits
        self._owed = 0

    def hear(self, data: bytes, reading: Callable[[], Shown | None]) -> list[bytes]:
        """The answers to what was sent; commands may come torn. `reading` gives the value of now."""
        *commands, self._heard = re.split(rb"[\r\n]+", self._heard + data)
        self._heard = self._heard[-256:]
        texts = [self._form.query.strip()] * self._owed
        texts += [command.decode("latin-1").strip() for command in commands]
        self._owed = 0
        answers = []
        for text in texts:
            if text == self._form.query.strip():
                now = reading()
                if now is not None:
                    answers.append(self._encode(now))
                else:
                    self._owed += self._waits
            elif self._form.identify and text == self._form.identify.strip():
                answers.append((self._identity + self._form.terminator).encode("latin-1"))
        return answers
