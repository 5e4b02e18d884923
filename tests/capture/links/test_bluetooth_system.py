"""What this computer's own Bluetooth lacks, told in one line; through the production library of Linux."""

from __future__ import annotations

import shutil
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack
from pathlib import Path

import pytest

if sys.platform != "linux" or shutil.which("dbus-daemon") is None:
    pytest.skip("needs Linux with dbus-daemon", allow_module_level=True)

from capture.links import link_for
from config.clock import SystemClock
from config.errors import LinkError
from simulators.bluetooth_service import SERVICE, BluetoothService
from simulators.private_bus import PrivateBus
from tests.bluetooth_faults import by_address

Bus = Callable[..., PrivateBus]


@pytest.fixture
async def bus(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bus]:
    async with AsyncExitStack() as stack:

        def begin(denied: str | None = None) -> PrivateBus:
            made = stack.enter_context(PrivateBus(denied))
            monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", made.address)
            return made

        yield begin


async def line_of_opening() -> str:
    link = link_for(by_address("bench-bluetooth", 1), SystemClock())
    with pytest.raises(LinkError) as told:
        await link.open()
    await link.close()
    return told.value.line()


async def test_no_message_bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'none'}")
    line = await line_of_opening()
    assert "the system's Bluetooth service does not run" in line
    assert "sudo systemctl start bluetooth" in line


async def test_no_bluetooth_service(bus: Bus) -> None:
    bus()
    line = await line_of_opening()
    assert "the system's Bluetooth service does not run" in line


async def test_a_user_who_may_not_speak_to_the_service(bus: Bus) -> None:
    async with BluetoothService(bus(denied=SERVICE).address, SystemClock()):
        line = await line_of_opening()
    assert "Bluetooth is not allowed to this program" in line
    assert "sudo usermod -aG bluetooth" in line


async def test_no_adapter(bus: Bus) -> None:
    async with BluetoothService(bus().address, SystemClock(), adapter=False):
        line = await line_of_opening()
    assert "no Bluetooth adapter" in line
    assert "plug in an adapter" in line


async def test_an_adapter_that_is_off(bus: Bus) -> None:
    async with BluetoothService(bus().address, SystemClock()) as service:
        service.power(False)
        line = await line_of_opening()
    assert "Bluetooth is off" in line
    assert "bluetoothctl power on" in line
