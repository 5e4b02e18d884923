"""What a simulated Bluetooth indicator offers: one table of services for every way to simulate the air.

Identifiers of 16 bits are those of the Bluetooth SIG's Assigned Numbers (battery 0x180F/0x2A19, device
information 0x180A); those of 128 bits come from the indicators' descriptions, which invented them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from config.clock import Clock
from config.indicators import (
    GattFormat,
    GattFramesFormat,
    GattLinesFormat,
    Indicator,
    load_indicators,
)
from simulators.indicator import Readings
from simulators.playback import Source
from simulators.wire import Encoder, encoder_of, presentation_of, shown

GATT_FORMATS = (GattFormat, GattFramesFormat, GattLinesFormat)
NAME = "Invented bench indicator"
ADDRESS = "F0:0D:00:00:00:01"  # a static random address, as the two highest bits say
READ_NOT_PERMITTED = 0x02  # ATT error code
ATT_HEADER = 3  # opcode and handle before the value of a notification
SMALLEST_MTU = 23


def uuid16(number: int) -> str:
    """A 16-bit identifier in full."""
    return f"0000{number:04x}-0000-1000-8000-00805f9b34fb"


BATTERY, BATTERY_LEVEL = uuid16(0x180F), uuid16(0x2A19)
DEVICE_INFORMATION = uuid16(0x180A)
PRESENTATION_FORMAT, USER_DESCRIPTION = uuid16(0x2904), uuid16(0x2901)


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One characteristic; `flags` are ``read``, ``notify``, ``write``. Without ``read`` it cannot be read."""

    uuid: str
    flags: tuple[str, ...]
    value: bytes = b""
    descriptors: tuple[tuple[str, bytes], ...] = ()


@dataclass(frozen=True, slots=True)
class Service:
    """A service with its characteristics."""

    uuid: str
    characteristics: tuple[Characteristic, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A peripheral: who it is, what it offers, and which indicator speaks on which characteristic."""

    name: str
    address: str
    services: tuple[Service, ...]
    speakers: dict[str, Indicator] = field(default_factory=dict)

    @property
    def advertised(self) -> tuple[str, ...]:
        """The services named in the advertisement."""
        return tuple({indicator_service(indicator): None for indicator in self.speakers.values()})


def indicator_service(indicator: Indicator) -> str:
    """The service in which an indicator's characteristic lies, lower case."""
    assert isinstance(indicator.format, GATT_FORMATS)
    return indicator.format.service.lower()


def table_for(
    indicators: Sequence[Indicator] | None = None,
    *,
    name: str = NAME,
    address: str = ADDRESS,
    battery: int = 77,
) -> Table:
    """The table of a peripheral that speaks all the given descriptions at once; None for the shipped ones."""
    described = load_indicators() if indicators is None else indicators
    speakers: dict[str, Indicator] = {}
    offered: dict[str, list[Characteristic]] = {}
    for indicator in described:
        form = indicator.format
        if isinstance(form, GATT_FORMATS):
            characteristic = _speaking(indicator, form)
            offered.setdefault(form.service.lower(), []).append(characteristic)
            speakers[characteristic.uuid] = indicator
    services = tuple(Service(uuid, tuple(found)) for uuid, found in offered.items())
    level = Characteristic(BATTERY_LEVEL, ("read", "notify"), bytes([battery]))
    return Table(name, address, (*services, Service(BATTERY, (level,)), _device_information(name)), speakers)


def _speaking(indicator: Indicator, form: GattFormat | GattFramesFormat | GattLinesFormat) -> Characteristic:
    uuid = form.characteristic.lower()
    if isinstance(form, GattFormat):
        presentation = presentation_of(indicator)
        descriptors = ((PRESENTATION_FORMAT, presentation.descriptor()),)
        return Characteristic(uuid, ("read", "notify"), presentation.value(0), descriptors)
    if isinstance(form, GattLinesFormat):
        return Characteristic(uuid, ("notify", "write"), descriptors=((USER_DESCRIPTION, b"serial line"),))
    return Characteristic(uuid, ("notify",), descriptors=((USER_DESCRIPTION, b"frames"),))


def _device_information(name: str) -> Service:
    texts = {0x2A29: "INVENTED WORKSHOP", 0x2A24: name.upper(), 0x2A25: "INVENTED-0000", 0x2A26: "1.0"}
    return Service(
        DEVICE_INFORMATION,
        tuple(Characteristic(uuid16(code), ("read",), text.encode()) for code, text in texts.items()),
    )


class Radio(Protocol):
    """A peripheral's side of the air, as `Feeder` needs it."""

    values: dict[str, bytes]

    @property
    def mtu(self) -> int:
        """Of the connection."""
        ...

    def subscribed(self) -> set[str]:
        """The characteristics that the other side wants notified."""
        ...

    def notify(self, uuid: str, data: bytes) -> None:
        """Send one notification; what is longer than the connection's MTU allows is cut off."""
        ...


@dataclass(frozen=True, slots=True)
class Pacing:
    """The radio's pace, which no simulation of the air models by itself.

    Attributes:
        interval_s: connection interval (7.5 to 50 ms); notifications leave together once in each.
        lost: share of connection events that fail; what they carried leaves with the next (a burst).
        seed: of the dice.
    """

    interval_s: float = 0.03
    lost: float = 0.0
    seed: int = 0


class Feeder:
    """Takes the bench's readings as they become due and notifies them at the radio's pace.

    Args:
        bench: where the readings come from.
        table: what the peripheral offers.
        radio: its side of the air.
        clock: the bench's clock.
        pacing: how the radio paces.
        on_heard: called once, when the other side subscribes for the first time; until then no reading
            is taken. With the `begin` of a held `simulators.playback.Playback` a recording is heard from
            its first reading on, however long finding and connecting takes.
    """

    def __init__(
        self,
        bench: Source,
        table: Table,
        radio: Radio,
        clock: Clock,
        pacing: Pacing | None = None,
        on_heard: Callable[[], None] | None = None,
    ) -> None:
        self._bench = bench
        self._radio = radio
        self._clock = clock
        self.pacing = pacing or Pacing()
        self._dice = np.random.default_rng(self.pacing.seed)
        self._encoders: dict[str, Encoder] = {uuid: encoder_of(who) for uuid, who in table.speakers.items()}
        self._streams = {
            uuid: b"" for uuid, who in table.speakers.items() if isinstance(who.format, GattLinesFormat)
        }
        self._waiting: list[tuple[str, bytes]] = []
        self._on_heard = on_heard
        self.muted = False  # readings are taken and not heard, as before a lost link is told
        self.notified = 0

    async def run(self) -> None:
        """Feed until cancelled."""
        if self._on_heard is not None:
            while not self._radio.subscribed():
                await self._clock.sleep(self.pacing.interval_s)
            self._on_heard()
        due_s = self._bench.now_s
        while True:
            due_s = max(due_s + self.pacing.interval_s, self._bench.now_s)
            await self._clock.sleep(due_s - self._bench.now_s)
            self._collect(self._bench.due())
            if self._dice.random() >= self.pacing.lost:
                self._leave()

    def _collect(self, readings: Readings) -> None:
        wanted = set() if self.muted else self._radio.subscribed()
        for reading in shown(readings):
            for uuid, encode in self._encoders.items():
                message = encode(reading)
                if uuid in self._streams:
                    if uuid in wanted:
                        self._streams[uuid] += message
                    continue
                self._radio.values[uuid] = message
                if uuid in wanted:
                    self._waiting.append((uuid, message))
        room = self._radio.mtu - ATT_HEADER
        for (
            uuid,
            stream,
        ) in self._streams.items():  # a serial stream knows no lines: it is cut where it is full
            self._waiting += [(uuid, stream[at : at + room]) for at in range(0, len(stream), room)]
            self._streams[uuid] = b""
        self._waiting = [(uuid, data) for uuid, data in self._waiting if uuid in wanted]

    def _leave(self) -> None:
        for uuid, data in self._waiting:
            self._radio.notify(uuid, data)
        self.notified += len(self._waiting)
        self._waiting.clear()


async def ended(task: asyncio.Task[None]) -> None:
    """Cancel a task of ours and wait until it is gone; its own failure is raised."""
    task.cancel()
    await asyncio.wait({task})
    if not task.cancelled():
        task.result()
