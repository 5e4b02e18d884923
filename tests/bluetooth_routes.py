"""Two ways to the same simulated Bluetooth indicator, with one set of handles for what goes wrong.

- ``in one process``: a Python Bluetooth stack on both sides of a simulated air, real ATT and GATT;
- ``system service``: the production backend of Linux, over a message bus, to a stand-in of the system's
  service.
"""

from __future__ import annotations

import asyncio
import importlib.util
import os
import shutil
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from typing import Any, Protocol

from capture.links import Link, link_for
from config.clock import Clock, SystemClock
from config.indicators import Indicator
from simulators.gatt import Pacing, Table
from simulators.playback import Source

IN_ONE_PROCESS, SYSTEM_SERVICE = "in one process", "system service"
BUS = "DBUS_SYSTEM_BUS_ADDRESS"


class HurriedClock(SystemClock):
    """Runs so many times as fast as the machine's: the same watching and waiting in less time."""

    def __init__(self, times: float) -> None:
        self._times = times

    def monotonic_ns(self) -> int:
        return round(super().monotonic_ns() * self._times)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self._times)


class Route(Protocol):
    """One way, and what can go wrong on it. `peripheral` is what `put` returned."""

    open_link: Callable[[Indicator, Clock], Link]
    air: Any  # for what takes a radio; None for this computer's own

    async def put(
        self,
        table: Table,
        source: Source,
        pacing: Pacing | None = None,
        on_heard: Callable[[], None] | None = None,
    ) -> Any:
        """Put an indicator within reach."""
        ...

    async def drop(self, peripheral: Any) -> None:
        """Lose the link; the peripheral is to be seen at once again."""
        ...

    async def away(self, peripheral: Any) -> None:
        """Out of reach, until `back`."""
        ...

    async def back(self, peripheral: Any) -> None:
        """In reach again."""
        ...

    async def drop_in_next_discovery(self, peripheral: Any) -> None:
        """Lose the next connection while its services are asked for."""
        ...

    async def power(self, on: bool) -> None:
        """Switch the adapter."""
        ...

    async def crash(self) -> None:
        """The system's service dies without a word."""
        ...

    async def restart(self) -> None:
        """It runs again."""
        ...

    async def forget(self, peripheral: Any) -> None:
        """The service forgets the device, without a word."""
        ...


class _InOneProcess:
    def __init__(self, air: Any) -> None:
        self.air = air
        self.open_link: Callable[[Indicator, Clock], Link] = partial(link_for, air=air)

    async def put(self, *what: Any, **more: Any) -> Any:
        return await self.air.put(*what, **more)

    async def drop(self, peripheral: Any) -> None:
        await peripheral.drop()

    async def away(self, peripheral: Any) -> None:
        await peripheral.vanish()

    async def back(self, peripheral: Any) -> None:
        await peripheral.appear()

    async def drop_in_next_discovery(self, peripheral: Any) -> None:
        peripheral.drop_after_requests(3)

    async def power(self, on: bool) -> None:
        await self.air.power(on)

    async def crash(self) -> None:
        await self.air.crash()

    async def restart(self) -> None:
        self.air.restart()

    async def forget(self, peripheral: Any) -> None:
        await self.air.forget(peripheral)


class _SystemService:
    def __init__(self, service: Any) -> None:
        self.service = service
        self.air: Any = None
        self.open_link: Callable[[Indicator, Clock], Link] = link_for

    async def put(self, *what: Any, **more: Any) -> Any:
        return self.service.put(*what, **more)

    async def drop(self, peripheral: Any) -> None:
        self.service.drop(peripheral)

    async def away(self, peripheral: Any) -> None:
        peripheral.in_reach = False
        self.service.drop(peripheral)

    async def back(self, peripheral: Any) -> None:
        peripheral.in_reach = True

    async def drop_in_next_discovery(self, peripheral: Any) -> None:
        peripheral.drop_in_discovery = 1

    async def power(self, on: bool) -> None:
        self.service.power(on)

    async def crash(self) -> None:
        await self.service.crash()

    async def restart(self) -> None:
        await self.service.begin()

    async def forget(self, peripheral: Any) -> None:
        self.service.forget(peripheral)


def missing(name: str) -> str | None:
    """What this computer lacks for a route, or None."""
    if name == IN_ONE_PROCESS:
        lacks = importlib.util.find_spec("bumble") is None
        return "the extra 'simulator' is not installed" if lacks else None
    lacks = sys.platform != "linux" or shutil.which("dbus-daemon") is None
    return "needs Linux with dbus-daemon" if lacks else None


@asynccontextmanager
async def route(name: str, clock: Clock) -> AsyncIterator[Route]:
    """A route by its name, for the running event loop."""
    if name == IN_ONE_PROCESS:
        from simulators.bluetooth import Air

        async with Air(clock) as air:
            yield _InOneProcess(air)
        return
    from simulators.bluetooth_service import BluetoothService
    from simulators.private_bus import PrivateBus

    before = os.environ.get(BUS)
    with PrivateBus() as bus:
        os.environ[BUS] = bus.address
        try:
            async with BluetoothService(bus.address, clock) as service:
                yield _SystemService(service)
        finally:
            if before is None:
                del os.environ[BUS]
            else:
                os.environ[BUS] = before
