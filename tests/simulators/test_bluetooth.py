"""The simulated air through the Bluetooth library that the station uses."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import AsyncIterator
from itertools import pairwise
from typing import Any

import pytest

pytest.importorskip("bumble", reason="the extra 'simulator' is not installed")

from bleak import BleakClient, BleakScanner
from bleak.exc import BleakBluetoothNotAvailableError, BleakError, BleakGATTProtocolError

from config.clock import SystemClock
from simulators.bench import SimulatedBench
from simulators.bluetooth import Air, SimulatedPeripheral
from simulators.gatt import (
    ATT_HEADER,
    BATTERY_LEVEL,
    PRESENTATION_FORMAT,
    SMALLEST_MTU,
    Pacing,
    Table,
    table_for,
)

VALUE, FRAMES, LINES = (f"5d1f0a0{n}-2b6c-4b7e-9f3a-6a1c0e5d7b42" for n in (1, 2, 3))


@pytest.fixture
def table() -> Table:
    return table_for()


@pytest.fixture
async def air() -> AsyncIterator[Air]:
    async with Air(SystemClock()) as made:
        yield made


@pytest.fixture
async def peripheral(air: Air, bench: SimulatedBench, table: Table) -> SimulatedPeripheral:
    return await air.put(table, bench, Pacing(interval_s=0.015))


async def found(air: Air) -> Any:
    device = await BleakScanner.find_device_by_filter(
        lambda device, _data: device.name == "Invented bench indicator",
        timeout=2.0,
        backend=air.scanner_backend,
    )
    assert device is not None
    return device


def client_of(air: Air, device: Any, **more: Any) -> BleakClient:
    return BleakClient(device, backend=air.client_backend, timeout=2.0, **more)


async def until(condition: Any, seconds: float = 2.0) -> None:
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.005)


async def test_the_table_arrives_as_it_was_made(air: Air, peripheral: SimulatedPeripheral) -> None:
    async with client_of(air, await found(air)) as client:
        offered = {c.uuid: c for service in client.services for c in service.characteristics}
        for service in peripheral.table.services:
            for made in service.characteristics:
                assert offered[made.uuid].service_uuid == service.uuid
                assert set(made.flags) <= set(offered[made.uuid].properties)
        descriptor = offered[VALUE].get_descriptor(PRESENTATION_FORMAT)
        assert descriptor is not None
        # sint32, exponent -6, metre (0x2701), namespace 1: bytes derived from the layout of 0x2904
        assert bytes(await client.read_gatt_descriptor(descriptor)) == bytes.fromhex("10FA0127010000")
        assert bytes(await client.read_gatt_char(BATTERY_LEVEL)) == bytes([77])
        assert offered[VALUE].max_write_without_response_size == 247 - 3


async def test_every_characteristic_notifies_in_its_own_form(
    air: Air, peripheral: SimulatedPeripheral
) -> None:
    heard: dict[str, list[bytes]] = {VALUE: [], FRAMES: [], LINES: []}
    async with client_of(air, await found(air)) as client:
        for uuid, got in heard.items():
            await client.start_notify(uuid, lambda _c, data, got=got: got.append(bytes(data)))
        await asyncio.sleep(0.4)
        await client.stop_notify(VALUE)
        await asyncio.sleep(0.05)
        stopped_at = len(heard[VALUE])
        await asyncio.sleep(0.1)
        assert len(heard[VALUE]) == stopped_at
    assert 13 <= stopped_at <= 25
    assert all(len(data) == 4 for data in heard[VALUE])
    assert all(len(data) == 6 for data in heard[FRAMES])
    lines = b"".join(heard[LINES]).split(b"\r\n")
    assert all(len(line) == 12 for line in lines[:-1])


async def test_lines_are_torn_where_the_smallest_notification_is_full_and_nothing_is_cut_off(
    air: Air, peripheral: SimulatedPeripheral, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a larger MTU being asked for a notification holds 20 bytes (Core Specification: ATT_MTU 23)."""
    monkeypatch.setattr("simulators.bluetooth_client.WANTED_MTU", SMALLEST_MTU)
    peripheral.feeder.pacing = Pacing(interval_s=0.05)
    heard: list[bytes] = []
    async with client_of(air, await found(air)) as client:
        await client.start_notify(LINES, lambda _c, data: heard.append(bytes(data)))
        await until(lambda: len(heard) > 12)
    assert max(len(data) for data in heard) == SMALLEST_MTU - ATT_HEADER
    whole = b"".join(heard).split(b"\r\n")[:-1]
    assert all(len(line) == 12 for line in whole)


async def test_a_characteristic_that_cannot_be_read_says_so(
    air: Air, peripheral: SimulatedPeripheral
) -> None:
    async with client_of(air, await found(air)) as client:
        with pytest.raises(BleakGATTProtocolError, match="Read Not Permitted"):
            await client.read_gatt_char(LINES)


async def test_a_lost_link_calls_back_once_and_a_new_connection_subscribes_anew(
    air: Air, peripheral: SimulatedPeripheral
) -> None:
    gone: list[str] = []
    device = await found(air)
    client = client_of(air, device, disconnected_callback=lambda _client: gone.append("gone"))
    await client.connect()
    await client.start_notify(VALUE, lambda _c, _data: None)
    await peripheral.drop()
    await until(lambda: gone)
    assert not client.is_connected
    assert gone == ["gone"]
    await client.disconnect()
    again = client_of(air, device)
    await again.connect()
    assert not peripheral.subscribed()
    await again.start_notify(VALUE, lambda _c, _data: None)
    await until(lambda: peripheral.subscribed() == {VALUE})
    await again.disconnect()


async def test_a_read_under_which_the_link_is_lost_fails_and_is_not_a_cancellation(
    air: Air, peripheral: SimulatedPeripheral
) -> None:
    client = client_of(air, await found(air))
    await client.connect()
    peripheral.drop_after_requests(0, lost_after_s=0.02)
    with pytest.raises(BleakError, match="disconnected"):
        await client.read_gatt_char(BATTERY_LEVEL)
    await client.disconnect()


@pytest.mark.parametrize("requests", [0, 2, 5, 9])
async def test_a_drop_during_discovery_fails_the_connection_and_the_next_succeeds(
    air: Air, peripheral: SimulatedPeripheral, requests: int
) -> None:
    device = await found(air)
    peripheral.drop_after_requests(requests, lost_after_s=0.02)
    with pytest.raises(BleakError):
        await client_of(air, device).connect()
    async with client_of(air, device) as client:
        assert client.is_connected


async def test_out_of_reach_times_out_and_does_not_spoil_the_next_connection(
    air: Air, peripheral: SimulatedPeripheral
) -> None:
    device = await found(air)
    await peripheral.vanish()
    for _ in range(2):
        with pytest.raises(TimeoutError):
            await BleakClient(device, backend=air.client_backend, timeout=0.1).connect()
    waiting = asyncio.create_task(client_of(air, device).connect())
    await asyncio.sleep(0.05)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    await peripheral.appear()
    async with client_of(air, device) as client:
        assert client.is_connected


async def test_an_adapter_switched_off_ends_links_and_refuses_new_ones(
    air: Air, peripheral: SimulatedPeripheral
) -> None:
    device = await found(air)
    client = client_of(air, device)
    await client.connect()
    await air.power(False)
    await until(lambda: not client.is_connected)
    with pytest.raises(BleakBluetoothNotAvailableError):
        await client_of(air, device).connect()
    with pytest.raises(BleakBluetoothNotAvailableError):
        await BleakScanner.discover(timeout=0.05, backend=air.scanner_backend)
    await air.power(True)
    async with client_of(air, device) as again:
        assert again.is_connected


async def test_failed_connection_events_gather_into_bursts_and_lose_nothing(
    air: Air, bench: SimulatedBench, table: Table
) -> None:
    await air.put(table, bench, Pacing(interval_s=0.03, lost=0.6, seed=2))
    arrived: list[tuple[float, int]] = []
    loop = asyncio.get_running_loop()
    async with client_of(air, await found(air)) as client:
        await client.start_notify(
            VALUE, lambda _c, data: arrived.append((loop.time(), int.from_bytes(data, "little", signed=True)))
        )
        await asyncio.sleep(0.6)
    gaps = [b[0] - a[0] for a, b in pairwise(arrived)]
    assert max(gaps) > 0.055
    assert sum(gap < 0.005 for gap in gaps) > len(gaps) / 2
    assert len(arrived) > 18


async def test_many_drops_leave_no_tasks_behind(air: Air, peripheral: SimulatedPeripheral) -> None:
    device = await found(air)

    async def once() -> None:
        client = client_of(air, device)
        await client.connect()
        await client.start_notify(VALUE, lambda _c, _data: None)
        await peripheral.drop()
        await client.disconnect()

    for _ in range(3):
        await once()
    gc.collect()
    before = len(asyncio.all_tasks())
    for _ in range(12):
        await once()
    assert len(asyncio.all_tasks()) <= before
    assert not peripheral.connected
