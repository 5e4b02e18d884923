"""The daemon as a process over the production Bluetooth of Linux, against the stand-in of its service."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from config.clock import SystemClock
from config.toml_text import indicator_toml
from simulators.gatt import Pacing, table_for
from tests.bluetooth_faults import Counting, by_address, kept
from tests.bluetooth_faults import missing as lost_of
from tests.bluetooth_routes import SYSTEM_SERVICE, missing, route
from tests.capture.daemon_process import DaemonProcess

INDICATOR = by_address("bench-bluetooth", 1)


class Air:
    """The stand-in and one indicator that counts, in a thread with an event loop of its own."""

    def __init__(self) -> None:
        self._ready = threading.Event()
        self._ending: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self.way: Any = None
        self.peripheral: Any = None
        self._thread = threading.Thread(target=lambda: asyncio.run(self._live()))

    async def _live(self) -> None:
        self._loop, self._ending = asyncio.get_running_loop(), asyncio.Event()
        async with route(SYSTEM_SERVICE, SystemClock()) as self.way:
            table = table_for([INDICATOR], address="F0:0D:00:00:00:01")
            self.peripheral = await self.way.put(table, Counting(), Pacing(0.015))
            self._ready.set()
            await self._ending.wait()

    def do(self, deed: Any) -> None:
        assert self._loop is not None
        asyncio.run_coroutine_threadsafe(deed, self._loop).result(5)

    def __enter__(self) -> Air:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        assert self._loop is not None
        assert self._ending is not None
        self._loop.call_soon_threadsafe(self._ending.set)
        self._thread.join()


@pytest.fixture
def air() -> Iterator[Air]:
    lacks = missing(SYSTEM_SERVICE)
    if lacks:
        pytest.skip(lacks)
    with Air() as made:
        yield made


@pytest.mark.slow
def test_the_daemon_measures_over_bluetooth_and_returns_after_it_was_killed(tmp_path: Path, air: Air) -> None:
    """After a kill the system holds the peripheral connected: no scan sees it, yet it is found."""
    data, described = tmp_path / "data", tmp_path / "indicators.toml"
    described.write_text(indicator_toml(INDICATOR), encoding="utf-8")
    with DaemonProcess(data, described) as daemon:
        daemon.wait_live(INDICATOR.name)
        run = daemon.ask("POST", "/runs", kind="trace")["run"]
        time.sleep(0.3)
        air.do(air.way.drop(air.peripheral))
        time.sleep(1.2)
        daemon.ask("POST", f"/runs/{run}/stop")
        (state,) = daemon.ask("GET", "/indicators")
        daemon.kill()
    assert (state["reconnects"], state["battery"]) == (1, 77)
    assert air.peripheral.connected
    numbers, told, _ = kept(data, run)
    assert 0 < lost_of(numbers) < 200
    assert {"lost", "gap"} <= {event.code for event in told.events}
    with ExitStack() as stack:
        daemon = stack.enter_context(DaemonProcess(data, described))
        began_s = time.monotonic()
        daemon.wait_live(INDICATOR.name)
        assert time.monotonic() - began_s < 8.0
        run = daemon.ask("POST", "/runs", kind="trace")["run"]
        time.sleep(0.3)
        daemon.ask("POST", f"/runs/{run}/stop")
    numbers, _, _ = kept(data, run)
    assert len(numbers) > 5
    assert lost_of(numbers) == 0
