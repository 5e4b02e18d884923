"""The Bluetooth link over a scripted stand-in for bleak: found, subscribed, dropped, silent, refused.

The stand-in has bleak's names and errors only; real GATT is exercised where a peripheral is simulated.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason, BleakError

import capture.links.bluetooth as bluetooth
from capture.links import link_for
from capture.links.bluetooth import BATTERY_LEVEL, PRESENTATION, BluetoothPeripheral, full_uuid
from config.errors import LinkError
from config.indicators import Indicator
from tests.capture.helpers import ManualClock, indicator, settle

SERVICE, CHARACTERISTIC = "1234", "abcd"
DESCRIPTOR = struct.pack("<BbHBH", 0x10, -6, 0x2701, 1, 0)


class Radio:
    """The air: which peripheral is there, and what goes wrong."""

    def __init__(self) -> None:
        self.address, self.name, self.services = "AA:BB:CC:DD:EE:FF", "Gauge 7", [full_uuid(SERVICE)]
        self.found = True
        self.fails: BaseException | None = None
        self.read_fails: BaseException | None = None
        self.characteristic: str | None = full_uuid(CHARACTERISTIC)
        self.notify: Callable[[object, bytearray], None] = lambda _, __: None
        self.dropped: Callable[[object], None] = lambda _: None
        self.goodbyes = self.reads = 0

    async def find_device_by_filter(self, ours: Callable[[Any, Any], bool], **_: object) -> object | None:
        if self.fails is not None:
            raise self.fails
        device = SimpleNamespace(address=self.address, name=self.name)
        told = SimpleNamespace(local_name=self.name, service_uuids=self.services)
        return device if self.found and ours(device, told) else None


class Client:
    """bleak's client, of which only what the link uses."""

    def __init__(self, radio: Radio, disconnected_callback: Callable[[object], None]) -> None:
        self._radio = radio
        radio.dropped = disconnected_callback
        self.services = self

    async def connect(self) -> None:
        return

    def get_service(self, uuid: str) -> Client | None:
        return self if uuid == full_uuid(SERVICE) else None

    def get_characteristic(self, uuid: str) -> object | None:
        if uuid == BATTERY_LEVEL:
            return "battery"
        return self if uuid == self._radio.characteristic else None

    def get_descriptor(self, uuid: str) -> object:
        assert uuid == PRESENTATION
        return SimpleNamespace(handle=7)

    async def read_gatt_descriptor(self, handle: int) -> bytearray:
        return bytearray(DESCRIPTOR if handle == 7 else b"")

    async def read_gatt_char(self, _: object) -> bytearray:
        self._radio.reads += 1
        if self._radio.read_fails is not None:
            raise self._radio.read_fails
        return bytearray([90])

    async def start_notify(self, _: object, notify: Callable[[object, bytearray], None]) -> None:
        self._radio.notify = notify

    async def disconnect(self) -> None:
        self._radio.goodbyes += 1
        self._radio.dropped(self)  # bleak calls back for the station's own goodbye too
        raise BleakError("not connected")


@pytest.fixture
def radio(monkeypatch: pytest.MonkeyPatch) -> Radio:
    air = Radio()
    monkeypatch.setattr(bluetooth, "BleakScanner", air)
    monkeypatch.setattr(
        bluetooth,
        "BleakClient",
        lambda _, disconnected_callback, **__: Client(air, disconnected_callback),
    )
    return air


def described(**link: str) -> Indicator:
    form = {"kind": "gatt", "service": SERVICE, "characteristic": CHARACTERISTIC}
    return indicator(form=form, link={"kind": "bluetooth", **(link or {"name_pattern": "Gauge .*"})})


async def opened(clock: ManualClock, **link: str) -> BluetoothPeripheral:
    peripheral = link_for(described(**link), clock)
    assert isinstance(peripheral, BluetoothPeripheral)
    await peripheral.open()
    return peripheral


async def first(peripheral: BluetoothPeripheral) -> bytes:
    async for chunk in peripheral.chunks():
        return chunk.data
    return b""


@pytest.mark.parametrize(
    "link", [{"name_pattern": "Gauge .*"}, {"address": "aa:bb:cc:dd:ee:ff"}, {"service": SERVICE}]
)
async def test_found_subscribed_and_read(radio: Radio, link: dict[str, str]) -> None:
    clock = ManualClock()
    peripheral = await opened(clock, **link)
    assert peripheral.presentation == DESCRIPTOR
    await clock.run_for(0.5)
    radio.notify(None, bytearray(b"\x01\x00\x00\x00"))
    await clock.run_for(0.5)
    async for chunk in peripheral.chunks():
        assert (chunk.data, chunk.t_ns) == (b"\x01\x00\x00\x00", 500_000_000)
        break
    await peripheral.close()
    await peripheral.close()
    assert radio.goodbyes == 1


async def test_a_drop_ends_it_and_goodbye_is_said_all_the_same(radio: Radio) -> None:
    peripheral = await opened(ManualClock())
    radio.dropped(None)
    with pytest.raises(LinkError, match="the radio link was lost"):
        await first(peripheral)
    await peripheral.close()
    assert radio.goodbyes == 1


async def test_the_own_goodbye_is_no_loss(radio: Radio) -> None:
    peripheral = await opened(ManualClock())
    reading = asyncio.create_task(first(peripheral))
    await settle()
    await peripheral.close()
    assert await reading == b""


async def test_a_link_that_died_without_a_word_is_found_out(radio: Radio) -> None:
    clock = ManualClock()
    peripheral = await opened(clock)
    for _ in range(5):
        await clock.run_for(0.5)
        radio.notify(None, bytearray(4))
    assert radio.reads == 0
    radio.read_fails = EOFError()
    await clock.run_for(4.0)
    assert radio.reads == 1
    with pytest.raises(LinkError, match="cannot be reached"):
        async for _ in peripheral.chunks():
            pass
    await peripheral.close()


async def test_a_silent_peripheral_that_answers_is_kept(radio: Radio) -> None:
    clock = ManualClock()
    peripheral = await opened(clock)
    await clock.run_for(10.0)
    assert radio.reads >= 5
    radio.notify(None, bytearray(b"late"))
    assert await first(peripheral) == b"late"
    await peripheral.close()


NO_RADIO = BleakBluetoothNotAvailableError("off", next(iter(BleakBluetoothNotAvailableReason)))


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (NO_RADIO, "Bluetooth is off or missing"),
        (BleakError("org.bluez.Error.NotReady"), "Bluetooth is off or missing"),
        (FileNotFoundError(2, "no bus"), "Bluetooth is off or missing"),
        (TimeoutError(), "does not answer"),
        (BleakError("device forgotten"), "cannot be reached"),
        (EOFError(), "cannot be reached"),
    ],
)
async def test_each_failure_has_its_line(radio: Radio, error: BaseException, words: str) -> None:
    radio.fails = error
    with pytest.raises(LinkError, match=words):
        await opened(ManualClock())


async def test_what_is_not_there_is_told(radio: Radio) -> None:
    radio.found = False
    with pytest.raises(LinkError, match="not in reach"):
        await opened(ManualClock())
    radio.found, radio.name = True, "Another"
    with pytest.raises(LinkError, match="not in reach"):
        await opened(ManualClock())
    radio.name, radio.characteristic = "Gauge 7", None
    peripheral = link_for(described(), ManualClock())
    with pytest.raises(LinkError, match="no characteristic abcd in service 1234"):
        await peripheral.open()
    await peripheral.close()
    assert radio.goodbyes == 1
