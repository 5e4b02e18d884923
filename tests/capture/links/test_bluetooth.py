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
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

import capture.links.bluetooth as bluetooth
import capture.links.bluetooth_reach as bluetooth_reach
from capture.links import link_for
from capture.links.bluetooth import (
    BATTERY_LEVEL,
    BATTERY_S,
    LONGEST_SILENCE_S,
    PRESENTATION,
    BluetoothPeripheral,
    full_uuid,
)
from capture.links.bluetooth_errors import DENIED, NONE, OFF, told, what_to_do
from capture.links.bluetooth_errors import SERVICE as NO_SERVICE
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
        self.held = False  # by the system, from an earlier life of the station
        self.fails: BaseException | None = None
        self.read_fails: BaseException | None = None
        self.characteristic: str | None = full_uuid(CHARACTERISTIC)
        self.offered = [BATTERY_LEVEL]
        self.notify: Callable[[object, bytearray], None] = lambda _, __: None
        self.dropped: Callable[[object], None] = lambda _: None
        self.goodbyes = 0
        self.reads: list[str] = []
        self.answers = True
        self.patience_s: list[float] = []
        self.scans = self.scans_at_once = self.most_at_once = 0

    @property
    def device(self) -> Any:
        return SimpleNamespace(address=self.address, name=self.name)

    @classmethod
    async def get(cls) -> Any:
        return air_of[-1]

    async def get_connected_devices(self, services: list[str]) -> list[Any]:
        return [self.device] if self.held and services == [full_uuid(SERVICE)] else []


air_of: list[Radio] = []


class Scanner:
    """bleak's scanner, of which only what the link uses."""

    def __init__(self, seen: Callable[[Any, Any], None]) -> None:
        self._seen, self._radio = seen, air_of[-1]

    async def start(self) -> None:
        radio = self._radio
        if radio.fails is not None:
            raise radio.fails
        radio.scans += 1
        radio.scans_at_once += 1
        radio.most_at_once = max(radio.most_at_once, radio.scans_at_once)
        told = SimpleNamespace(local_name=radio.name, service_uuids=radio.services)
        if radio.found:
            asyncio.get_running_loop().call_soon(self._seen, radio.device, told)

    async def stop(self) -> None:
        self._radio.scans_at_once -= 1


class Client:
    """bleak's client, of which only what the link uses."""

    def __init__(self, radio: Radio, disconnected_callback: Callable[[object], None], timeout: float) -> None:
        self._radio, self._timeout = radio, timeout
        radio.dropped = disconnected_callback
        self.services = self
        self.uuid, self.properties = full_uuid(CHARACTERISTIC), ["read", "notify"]

    @property
    def characteristics(self) -> dict[int, Any]:
        others = [SimpleNamespace(uuid=uuid, properties=["read"]) for uuid in self._radio.offered]
        return dict(enumerate([self, *others]))

    async def connect(self) -> None:
        self._radio.patience_s.append(self._timeout)
        if not self._radio.answers:
            raise TimeoutError

    def get_service(self, uuid: str) -> Client | None:
        return self if uuid == full_uuid(SERVICE) else None

    def get_characteristic(self, uuid: str) -> object | None:
        return self if uuid == self._radio.characteristic else None

    def get_descriptor(self, uuid: str) -> object:
        assert uuid == PRESENTATION
        return SimpleNamespace(handle=7)

    async def read_gatt_descriptor(self, handle: int) -> bytearray:
        return bytearray(DESCRIPTOR if handle == 7 else b"")

    async def read_gatt_char(self, what: Any) -> bytearray:
        self._radio.reads.append(what.uuid)
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
    air_of[:] = [air]
    monkeypatch.setattr(bluetooth_reach, "BleakScanner", Scanner)
    monkeypatch.setattr(bluetooth_reach, "BleakAdapter", Radio)
    monkeypatch.setattr(bluetooth, "SEEN_S", 0.01)
    monkeypatch.setattr(bluetooth, "SCAN_S", 0.01)
    monkeypatch.setattr(
        bluetooth,
        "BleakClient",
        lambda _, disconnected_callback, timeout: Client(air, disconnected_callback, timeout),
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


async def test_an_attempt_that_is_not_answered_is_given_up_soon_and_a_slow_peripheral_is_given_more(
    radio: Radio,
) -> None:
    """One that went while it was being connected never answers: ten seconds were waited each time."""
    clock = ManualClock()
    for radio.answers in (False, False, False, False, True, False):
        peripheral = link_for(described(), clock)
        if radio.answers:
            await peripheral.open()
        else:
            with pytest.raises(LinkError, match="does not answer"):
                await peripheral.open()
        await peripheral.close()
    assert radio.patience_s == [3.0, 6.0, 10.0, 10.0, 10.0, 3.0]


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
    await clock.run_for(0.0)
    assert radio.reads == [BATTERY_LEVEL]
    for _ in range(5):
        await clock.run_for(0.5)
        radio.notify(None, bytearray(4))
    assert len(radio.reads) == 1
    radio.read_fails = EOFError()
    await clock.run_for(2.0)
    assert len(radio.reads) == 2
    with pytest.raises(LinkError, match="cannot be reached"):
        async for _ in peripheral.chunks():
            pass
    await peripheral.close()


async def test_a_silent_peripheral_that_answers_is_kept(radio: Radio) -> None:
    clock = ManualClock()
    peripheral = await opened(clock)
    await clock.run_for(LONGEST_SILENCE_S + 10.0)
    assert len(radio.reads) >= 20
    radio.notify(None, bytearray(b"late"))
    assert await first(peripheral) == b"late"
    await peripheral.close()


async def test_the_measuring_characteristic_is_never_read(radio: Radio) -> None:
    """On some systems the answer arrives as a notification too, and would count as a reading."""
    clock = ManualClock()
    radio.offered = ["name"]
    peripheral = await opened(clock)
    await clock.run_for(10.0)
    assert set(radio.reads) == {"name"}
    await peripheral.close()


async def test_a_silent_peripheral_with_nothing_to_ask_for_is_connected_anew(radio: Radio) -> None:
    clock = ManualClock()
    radio.offered = []
    peripheral = await opened(clock)
    await clock.run_for(LONGEST_SILENCE_S + 1.0)
    assert radio.reads == []
    with pytest.raises(LinkError, match="silent for too long"):
        await first(peripheral)
    await peripheral.close()


async def test_the_battery_is_asked_for_now_and_then_and_a_refusal_is_an_answer(radio: Radio) -> None:
    clock = ManualClock()
    peripheral = await opened(clock)
    for _ in range(round(2.5 * BATTERY_S / 0.5)):
        await clock.run_for(0.5)
        radio.notify(None, bytearray(4))
    assert peripheral.battery == 90
    assert len(radio.reads) == 3
    await peripheral.close()

    radio.read_fails = BleakGATTProtocolError(BleakGATTProtocolErrorCode.READ_NOT_PERMITTED)
    radio.reads.clear()
    peripheral = await opened(clock)
    await clock.run_for(LONGEST_SILENCE_S + 5.0)
    assert peripheral.battery is None
    assert len(radio.reads) > 5
    radio.notify(None, bytearray(b"late"))
    assert await first(peripheral) == b"late"
    await peripheral.close()


async def test_many_lookers_share_one_scan_and_each_finds_its_own(radio: Radio) -> None:
    clock = ManualClock()
    found = await asyncio.gather(*(opened(clock, name_pattern="Gauge .*") for _ in range(5)))
    assert radio.most_at_once == 1
    assert radio.scans_at_once == 0
    for peripheral in found:
        await peripheral.close()


async def test_a_peripheral_that_the_system_still_holds_is_found_without_being_seen(radio: Radio) -> None:
    radio.found, radio.held = False, True
    peripheral = await opened(ManualClock(), address=radio.address)
    assert peripheral.presentation == DESCRIPTOR
    await peripheral.close()


def not_available(reason: str) -> BleakBluetoothNotAvailableError:
    return BleakBluetoothNotAvailableError("told by bleak", BleakBluetoothNotAvailableReason[reason])


@pytest.mark.parametrize(
    ("error", "words", "remedy"),
    [
        (not_available("POWERED_OFF"), "Bluetooth is off", "bluetoothctl power on"),
        (not_available("NO_BLUETOOTH"), "has no Bluetooth adapter", "plug in an adapter"),
        (not_available("NO_BLE_CENTRAL_ROLE"), "has no Bluetooth adapter", "plug in an adapter"),
        (not_available("DENIED_BY_SYSTEM"), "not allowed", "usermod -aG bluetooth"),
        (not_available("DENIED_BY_USER"), "not allowed", "usermod -aG bluetooth"),
        (not_available("UNKNOWN"), "service does not run", "systemctl start bluetooth"),
        (BleakDBusError("org.bluez.Error.NotReady", ["Resource Not Ready"]), "Bluetooth is off", "power on"),
        (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", []), "not allowed", "usermod"),
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", []), "does not run", "systemctl"),
        (FileNotFoundError(2, "no bus"), "service does not run", "systemctl start bluetooth"),
        (BleakError("adapter 'hci0' not found"), "has no Bluetooth adapter", "plug in"),
        (TimeoutError(), "does not answer", "switch it on"),
        (BleakDeviceNotFoundError("AA", "removed"), "forgotten by the system", "looked for again"),
        (BleakDBusError("org.freedesktop.DBus.Error.UnknownObject", ["x"]), "forgotten", "looked for again"),
        (BleakError("le-connection-refused"), "cannot be reached (le-connection-refused)", "off and on"),
        (EOFError(), "cannot be reached (EOFError)", "off and on"),
        (KeyError("/org/bluez/hci0/dev/service0001/char0002"), "lost while connecting", "nearer"),
        (AssertionError(), "lost while connecting", "nearer"),
    ],
)
async def test_each_failure_has_its_line(radio: Radio, error: BaseException, words: str, remedy: str) -> None:
    radio.fails = error
    with pytest.raises(LinkError) as told_by_link:
        await opened(ManualClock())
    line = told(error, "Gauge .*", "linux").line()
    assert words in told_by_link.value.line()
    assert words in line
    assert remedy in line
    assert "\n" not in line


@pytest.mark.parametrize("platform", ["linux", "darwin", "win32"])
def test_every_system_has_a_remedy_of_its_own(platform: str) -> None:
    remedies = {trouble: what_to_do(trouble, platform) for trouble in (OFF, NONE, DENIED, NO_SERVICE)}
    assert len(set(remedies.values())) == 4
    assert ("sudo" in remedies[DENIED]) == (platform == "linux")


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
