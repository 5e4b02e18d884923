"""The production Bluetooth library of Linux against the stand-in of the system's Bluetooth service."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import sys
from collections.abc import AsyncIterator, Iterator
from typing import Any

import pytest

if sys.platform != "linux" or shutil.which("dbus-daemon") is None:
    pytest.skip("needs Linux with dbus-daemon", allow_module_level=True)

from bleak import BleakClient, BleakScanner
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)

from config.clock import SystemClock
from simulators.bench import SimulatedBench
from simulators.bluetooth_served import ServedPeripheral
from simulators.bluetooth_service import BluetoothService
from simulators.gatt import ADDRESS, BATTERY_LEVEL, PRESENTATION_FORMAT, Pacing, table_for
from simulators.private_bus import PrivateBus

VALUE, FRAMES, LINES = (f"5d1f0a0{n}-2b6c-4b7e-9f3a-6a1c0e5d7b42" for n in (1, 2, 3))


@pytest.fixture
def bus(monkeypatch: pytest.MonkeyPatch) -> Iterator[PrivateBus]:
    with PrivateBus() as made:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", made.address)
        yield made


@pytest.fixture
async def service(bus: PrivateBus) -> AsyncIterator[BluetoothService]:
    async with BluetoothService(bus.address, SystemClock()) as made:
        yield made


@pytest.fixture
async def peripheral(service: BluetoothService, bench: SimulatedBench) -> ServedPeripheral:
    return service.put(table_for(), bench, Pacing(interval_s=0.015))


async def found() -> Any:
    device = await BleakScanner.find_device_by_address(ADDRESS, timeout=2.0)
    assert device is not None
    return device


async def until(condition: Any, seconds: float = 2.0) -> None:
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.005)


async def test_the_table_arrives_as_it_was_made(peripheral: ServedPeripheral) -> None:
    async with BleakClient(await found(), timeout=2.0) as client:
        offered = {c.uuid: c for service in client.services for c in service.characteristics}
        for service in peripheral.table.services:
            for made in service.characteristics:
                assert offered[made.uuid].service_uuid == service.uuid
                assert set(made.flags) == set(offered[made.uuid].properties)
        descriptor = offered[VALUE].get_descriptor(PRESENTATION_FORMAT)
        assert descriptor is not None
        assert bytes(await client.read_gatt_descriptor(descriptor)) == bytes.fromhex("10FA0127010000")
        assert bytes(await client.read_gatt_char(BATTERY_LEVEL)) == bytes([77])
        assert offered[VALUE].max_write_without_response_size == 247 - 3
        with pytest.raises(BleakGATTProtocolError, match="Read Not Permitted"):
            await client.read_gatt_char(LINES)


@pytest.mark.parametrize("acquire", [False, True])
async def test_notifications_arrive_either_way_until_stopped(
    peripheral: ServedPeripheral, acquire: bool
) -> None:
    heard: list[bytes] = []
    async with BleakClient(await found(), timeout=2.0) as client:
        await client.start_notify(
            VALUE, lambda _c, data: heard.append(bytes(data)), bluez={"use_start_notify": not acquire}
        )
        await asyncio.sleep(0.3)
        await client.stop_notify(VALUE)
        await asyncio.sleep(0.05)
        stopped_at = len(heard)
        await asyncio.sleep(0.1)
        assert len(heard) == stopped_at
    assert 8 <= stopped_at <= 18
    assert all(len(data) == 4 for data in heard)


async def test_a_burst_fuller_than_the_socket_arrives_whole_and_in_order(
    peripheral: ServedPeripheral,
) -> None:
    """The bus library gives up when its socket is full: the stand-in waits until it takes more."""
    heard: list[int] = []
    async with BleakClient(await found(), timeout=2.0) as client:
        await client.start_notify(
            VALUE,
            lambda _c, data: heard.append(int.from_bytes(data, "little")),
            bluez={"use_start_notify": True},
        )
        for number in range(3_000):
            peripheral.notify(VALUE, (1_000_000 + number).to_bytes(4, "little"))
        await until(lambda: 1_002_999 in heard, 5.0)
    burst = [number for number in heard if 1_000_000 <= number < 2_000_000]
    assert burst == list(range(1_000_000, 1_003_000))


async def test_a_lost_link_calls_back_and_the_next_connection_works(
    service: BluetoothService, peripheral: ServedPeripheral
) -> None:
    gone: list[str] = []
    client = BleakClient(await found(), disconnected_callback=lambda _c: gone.append("gone"), timeout=2.0)
    await client.connect()
    await client.start_notify(VALUE, lambda _c, _data: None)
    service.drop(peripheral)
    await until(lambda: gone)
    assert not client.is_connected
    await client.disconnect()
    async with BleakClient(await found(), timeout=2.0) as again:
        assert not peripheral.subscribed()
        heard: list[bytes] = []
        await again.start_notify(VALUE, lambda _c, data: heard.append(bytes(data)))
        await until(lambda: heard)


async def test_a_drop_during_discovery_and_a_refusal_fail_and_the_next_succeeds(
    peripheral: ServedPeripheral,
) -> None:
    device = await found()
    peripheral.drop_in_discovery = 1
    with pytest.raises(BleakError, match="discover services"):
        await BleakClient(device, timeout=2.0).connect()
    peripheral.refuse = 1
    with pytest.raises(BleakDBusError, match=r"Error\.Failed"):
        await BleakClient(device, timeout=2.0).connect()
    async with BleakClient(device, timeout=2.0) as client:
        assert client.is_connected


async def test_out_of_reach_times_out_and_a_forgotten_device_is_not_found(
    service: BluetoothService, peripheral: ServedPeripheral
) -> None:
    device = await found()
    peripheral.in_reach = False
    with pytest.raises(TimeoutError):
        await BleakClient(device, timeout=0.2).connect()
    service.forget(peripheral)
    await asyncio.sleep(0.05)
    with pytest.raises(BleakError):
        await BleakClient(device, timeout=0.2).connect()
    assert await BleakScanner.find_device_by_address(ADDRESS, timeout=0.2) is None
    peripheral.in_reach = True
    async with BleakClient(await found(), timeout=2.0) as client:
        assert client.is_connected


async def test_an_adapter_switched_off_ends_links_and_refuses_scans(
    service: BluetoothService, peripheral: ServedPeripheral
) -> None:
    client = BleakClient(await found(), timeout=2.0)
    await client.connect()
    service.power(False)
    await until(lambda: not client.is_connected)
    await client.disconnect()
    with pytest.raises(BleakBluetoothNotAvailableError):
        await BleakScanner.discover(timeout=0.05)
    service.power(True)
    await asyncio.sleep(0.05)
    async with BleakClient(await found(), timeout=2.0) as again:
        assert again.is_connected


async def test_a_device_removed_while_connected_falls_silent_and_a_crash_as_well(
    service: BluetoothService, peripheral: ServedPeripheral
) -> None:
    """Neither is told to the station: only its own watch over the silence can notice."""
    heard: list[bytes] = []
    client = BleakClient(await found(), timeout=2.0)
    await client.connect()
    await client.start_notify(VALUE, lambda _c, data: heard.append(bytes(data)))
    await until(lambda: heard)
    service.forget(peripheral)
    await asyncio.sleep(0.05)
    count = len(heard)
    await asyncio.sleep(0.1)
    assert len(heard) == count
    with pytest.raises((BleakError, BleakDeviceNotFoundError)):
        await client.read_gatt_char(BATTERY_LEVEL)
    with contextlib.suppress(BleakError):
        await client.disconnect()

    again = BleakClient(await found(), timeout=2.0)
    await again.connect()
    await again.start_notify(VALUE, lambda _c, data: heard.append(bytes(data)))
    await service.crash()
    await asyncio.sleep(0.05)
    count = len(heard)
    await asyncio.sleep(0.1)
    assert len(heard) == count
    with contextlib.suppress(BleakError):
        await again.disconnect()
    await service.begin()
    async with BleakClient(await found(), timeout=2.0) as third:
        assert third.is_connected


async def test_a_killed_bus_ends_the_link(
    bus: PrivateBus, service: BluetoothService, peripheral: ServedPeripheral
) -> None:
    client = BleakClient(await found(), timeout=2.0)
    await client.connect()
    bus.kill()
    await until(lambda: not client.is_connected)
    await client.disconnect()


async def test_drops_that_are_cleaned_up_leak_no_descriptors(
    service: BluetoothService, peripheral: ServedPeripheral
) -> None:
    device = await found()

    async def once() -> None:
        client = BleakClient(device, timeout=2.0)
        await client.connect()
        await client.start_notify(VALUE, lambda _c, _data: None)
        service.drop(peripheral)
        await until(lambda: not client.is_connected)
        await client.disconnect()

    await once()
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(8):
        await once()
    assert len(os.listdir("/proc/self/fd")) <= before
