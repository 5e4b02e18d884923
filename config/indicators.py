"""The description of an indicator: how it is reached, how its bytes read, and what it may be trusted for.

No maker's name or protocol is in the code. A technician's indicator is an entry of ``indicators.toml``:
a link (wire or Bluetooth) and a wire format, with resolution, permissible error, range and calibration.
"""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from config.errors import InputError
from config.lengths import parse_length_nm
from config.settings import read_toml
from config.toml_lines import line_at


def _length(text: Any) -> Any:
    if not isinstance(text, str):
        raise ValueError(f"{text!r} has no unit; write it as text, like '0.001 mm'")
    try:
        return parse_length_nm(text)
    except InputError as error:
        raise ValueError(error.line()) from error


LengthNm = Annotated[int, BeforeValidator(_length), Field(gt=0)]
PositionNm = Annotated[int, BeforeValidator(_length)]
Unit = Literal["mm", "um", "in"]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SerialLink(_Entry):
    """A serial port by path or URL (``socket://host:port``, ``rfc2217://…``), or by USB ids."""

    kind: Literal["serial"]
    port: str | None = None
    usb: Annotated[str | None, Field(pattern=r"^[0-9a-fA-F]{4}:[0-9a-fA-F]{4}$")] = None
    usb_serial_number: str | None = None
    baud: Annotated[int, Field(ge=110, le=4_000_000)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1

    @model_validator(mode="after")
    def _one_way(self) -> SerialLink:
        if (self.port is None) == (self.usb is None):
            raise ValueError("give either port or usb")
        return self


class BluetoothLink(_Entry):
    """A Bluetooth peripheral by address, by a pattern of its name, or by an advertised service."""

    kind: Literal["bluetooth"]
    address: str | None = None
    name_pattern: str | None = None
    service: str | None = None

    @model_validator(mode="after")
    def _some_way(self) -> BluetoothLink:
        if not (self.address or self.name_pattern or self.service):
            raise ValueError("give address, name_pattern or service")
        return self


class LinesFormat(_Entry):
    """Text lines. `pattern` has the group ``value`` and may have ``unit`` and ``status``.

    The value may carry blanks after its sign and a decimal comma. Without a ``unit`` group the value
    is in `unit`. `units` maps what the wire says to a unit. `status_bad` lists the status texts in
    which a reading cannot be trusted (hold, maximum, minimum, preset, battery low …), each with why.
    `example` is one line as the indicator sends it, without terminator: it proves the pattern when
    the station starts, and the simulator speaks in its image.
    """

    kind: Literal["lines"]
    pattern: str
    example: str | None = None
    terminator: str = "\r\n"
    unit: Unit | None = None
    units: dict[str, Unit] = {"mm": "mm", "in": "in", "um": "um"}
    status_bad: dict[str, str] = Field(default_factory=dict)
    sign: Literal[1, -1] = 1
    longest: Annotated[int, Field(ge=4, le=4096)] = 128

    @model_validator(mode="after")
    def _pattern(self) -> LinesFormat:
        try:
            pattern = re.compile(self.pattern)
        except re.error as error:
            raise ValueError(f"pattern is not a regular expression: {error}") from error
        groups = pattern.groupindex
        if "value" not in groups:
            raise ValueError("pattern has no group (?P<value>…)")
        if "unit" not in groups and self.unit is None:
            raise ValueError("give unit, or a group (?P<unit>…) in pattern")
        if not self.terminator:
            raise ValueError("terminator is empty")
        if self.example is not None and not pattern.fullmatch(self.example):
            raise ValueError(f"example {self.example!r} does not match the pattern")
        return self


class PolledFormat(LinesFormat):
    """Text lines that come only when asked for with `query`, every `pause_s` seconds."""

    kind: Literal["polled"]  # type: ignore[assignment]
    query: str
    pause_s: Annotated[float, Field(gt=0, le=60)] = 0.05
    answer_within_s: Annotated[float, Field(gt=0, le=60)] = 0.5
    identify: str | None = None


class FramesFormat(_Entry):
    """Binary frames of fixed size.

    Attributes:
        start: the fixed bytes at the start of a frame, hexadecimal.
        size: bytes in a frame, start and check included.
        value_at, value_type: where the value is and how it reads, in struct notation (``<i``, ``>h`` …),
            or ``<i24``/``>i24`` for three bytes.
        step: the length that one count means.
        check: check over the bytes before it, at `check_at`; None when the format has none.
        status_at: the status byte; `status_bad` maps a bit mask (hexadecimal text) to why.
        inch_bit: the mask (hexadecimal text) in the status byte that says the value counts `inch_step`.
    """

    kind: Literal["frames"]
    start: Annotated[str, Field(pattern=r"^([0-9a-fA-F]{2})*$")] = ""
    size: Annotated[int, Field(ge=2, le=256)]
    value_at: Annotated[int, Field(ge=0)]
    value_type: Literal["<h", ">h", "<i", ">i", "<i24", ">i24"]
    step: LengthNm
    check: Literal["sum8", "xor8", "crc8", "crc16-modbus", "crc16-ccitt"] | None = None
    check_at: int | None = None
    status_at: int | None = None
    status_bad: dict[str, str] = Field(default_factory=dict)
    inch_bit: str | None = None
    inch_step: LengthNm | None = None
    sign: Literal[1, -1] = 1

    @model_validator(mode="after")
    def _inside(self) -> FramesFormat:
        width = {"h": 2, "i": 4}.get(self.value_type[-1], 3)
        check_width = {None: 0, "sum8": 1, "xor8": 1, "crc8": 1}.get(self.check, 2)
        if self.value_at + width > self.size:
            raise ValueError("the value does not fit into the frame")
        if (self.check is None) != (self.check_at is None):
            raise ValueError("give check and check_at together")
        if self.check_at is not None and not 0 <= self.check_at <= self.size - check_width:
            raise ValueError("the check does not fit into the frame")
        if self.status_at is not None and not 0 <= self.status_at < self.size:
            raise ValueError("status_at lies outside the frame")
        if (self.inch_bit is None) != (self.inch_step is None):
            raise ValueError("give inch_bit and inch_step together")
        if (self.inch_bit or self.status_bad) and self.status_at is None:
            raise ValueError("inch_bit and status_bad need status_at")
        return self


class GattFormat(_Entry):
    """A Bluetooth characteristic that notifies a number; format, exponent and unit from descriptor 0x2904."""

    kind: Literal["gatt"]
    service: str
    characteristic: str
    sign: Literal[1, -1] = 1


class GattFramesFormat(FramesFormat):
    """A Bluetooth characteristic that notifies one frame of a declared layout at a time."""

    kind: Literal["gatt-frames"]  # type: ignore[assignment]
    service: str
    characteristic: str


class GattLinesFormat(LinesFormat):
    """Text lines over a Bluetooth characteristic, torn across notifications as they come."""

    kind: Literal["gatt-lines"]  # type: ignore[assignment]
    service: str
    characteristic: str


Link = Annotated[SerialLink | BluetoothLink, Field(discriminator="kind")]
Format = Annotated[
    LinesFormat | PolledFormat | FramesFormat | GattFormat | GattFramesFormat | GattLinesFormat,
    Field(discriminator="kind"),
]


class Indicator(_Entry):
    """One indicator of the workshop. Lengths in nanometres; the file gives them as text with a unit.

    `plunger_out` is what it shows with the plunger fully out, for an indicator whose zero stays where it
    is; then nearness to the ends of `range` can be told.
    """

    name: Annotated[str, Field(pattern=r"^[\w][\w .-]{0,40}$")]
    resolution_nm: LengthNm = Field(alias="resolution")
    permissible_error_nm: LengthNm = Field(alias="permissible_error")
    range_nm: LengthNm = Field(alias="range")
    plunger_out_nm: PositionNm | None = Field(default=None, alias="plunger_out")
    rate_hz: Annotated[float, Field(gt=0, le=10_000)] | None = None
    serial_number: str = ""
    calibrated: date | None = None
    calibration_due: date | None = None
    simulated: bool = False
    link: Link
    format: Format

    @model_validator(mode="after")
    def _agrees(self) -> Indicator:
        if isinstance(self.link, SerialLink) == self.format.kind.startswith("gatt"):
            raise ValueError(f"format {self.format.kind!r} cannot come over a {self.link.kind} link")
        return self


def load_indicators(path: Path | None = None) -> tuple[Indicator, ...]:
    """The indicators of the workshop's file, or the shipped examples.

    Raises:
        InputError: what is wrong, with the file, the line and the key.
    """
    where, text, content = read_toml(path, "indicators.toml")
    return indicators_in(text, content, where)


def indicators_in(text: str, content: dict[str, Any], where: str) -> tuple[Indicator, ...]:
    """The indicators described in a TOML text that was read to `content`; see `load_indicators`."""
    entries = content.get("indicator", [])
    if not isinstance(entries, list):
        raise InputError("indicator is not a list", where=where, expected="[[indicator]] tables")
    if unknown := set(content) - {"indicator"}:
        raise InputError(f"unknown table {min(unknown)!r}", where=where, expected="[[indicator]] tables")
    indicators: list[Indicator] = []
    for index, entry in enumerate(entries):
        try:
            indicators.append(Indicator.model_validate(entry))
        except ValidationError as error:
            raise _told(error, where, text, index) from error
    names = [indicator.name for indicator in indicators]
    for index, name in enumerate(names):
        if name in names[:index]:
            line = line_at(text, "indicator", index, ("name",))
            raise InputError(f"a second indicator is named {name!r}", where=f"{where}, line {line}")
    return tuple(indicators)


def _told(error: ValidationError, where: str, text: str, index: int) -> InputError:
    """The first thing that is wrong, at its line: the key itself, or the one that the sentence names."""
    first = error.errors()[0]
    keys = [str(part) for part in first["loc"]]
    message = first["msg"].removeprefix("Value error, ")
    path = [key for place, key in enumerate(keys) if not (place == 1 and keys[0] in ("link", "format"))]
    if not keys and message.startswith("format"):
        path = ["format", "kind"]
    if first["type"].startswith("union_tag"):
        path = [path[0], "kind"]
    line = line_at(text, "indicator", index, path)
    if first["type"] == "value_error" and len(path) == 1 and path[0] in ("link", "format"):
        line = _named_in(message, text, index, path[0]) or line
    key = ".".join(keys) or "indicator"
    return InputError(f"{key}: {message}", where=f"{where}, line {line}")


def _named_in(message: str, text: str, index: int, table: str) -> int | None:
    """The line of the first key of `table` that a sentence speaks of, when the file has it."""
    header = line_at(text, "indicator", index, (table, ""))
    for word in re.findall(r"[a-z_]+", message):
        line = line_at(text, "indicator", index, (table, word))
        if line != header:
            return line
    return None


def indicator_named(name: str, indicators: tuple[Indicator, ...]) -> Indicator:
    """The indicator of that name.

    Raises:
        InputError: there is none; the message lists those there are.
    """
    for indicator in indicators:
        if indicator.name == name:
            return indicator
    if not indicators:
        raise none_described()
    known = ", ".join(indicator.name for indicator in indicators)
    raise InputError(f"no indicator is named {name!r}", where="--indicator", expected=f"one of: {known}")


def none_described() -> InputError:
    """The station knows of no indicator yet."""
    return InputError(
        "no indicator is described yet",
        where="--indicator",
        do="see what is there with 'hubproof indicators find', then 'hubproof indicators learn PORT'",
    )
