"""Which Bluetooth peripherals are in reach: one scan for all that look, whatever they look for."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import Any, Protocol

from bleak import BleakAdapter, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from capture.links.bluetooth_errors import FAILURES
from config.clock import NS_PER_S, Clock

LONGEST_SCAN_S = 5.0
"""A scan that began before the adapter was switched off hears nothing for ever: none grows older."""

Ours = Callable[[BLEDevice, AdvertisementData | None], bool]
"""Whether a peripheral is the wanted one; without advertisement for one that is connected already."""


class Air(Protocol):
    """A radio to use instead of this computer's: backends of the Bluetooth library."""

    @property
    def scanner_backend(self) -> type[Any]:
        """Who scans."""
        ...

    @property
    def client_backend(self) -> type[Any]:
        """Who connects."""
        ...

    @property
    def adapter_backend(self) -> type[Any]:
        """Who knows what is connected already."""
        ...


class Reach:
    """The one scan of a radio; the system refuses a second one of the same program.

    Args:
        clock: the station's clock.
        air: the radio; None for this computer's own.
    """

    def __init__(self, clock: Clock, air: Air | None) -> None:
        self._clock = clock
        self._air = air
        self._lookers: dict[asyncio.Future[BLEDevice], Ours] = {}
        self._scanner: BleakScanner | None = None
        self._began_ns = 0
        self._changing = asyncio.Lock()

    async def find(self, ours: Ours, within_s: float) -> BLEDevice | None:
        """See `find`."""
        found: asyncio.Future[BLEDevice] = asyncio.get_running_loop().create_future()
        self._lookers[found] = ours
        try:
            async with self._changing:
                await self._begin()
            await asyncio.wait([found], timeout=within_s)
            return found.result() if found.done() else None
        finally:
            del self._lookers[found]
            async with self._changing:
                if self.idle:
                    await self._stop()

    @property
    def idle(self) -> bool:
        """Whether nobody looks."""
        return not self._lookers

    async def _begin(self) -> None:
        age_s = (self._clock.monotonic_ns() - self._began_ns) / NS_PER_S
        if age_s >= LONGEST_SCAN_S:
            await self._stop()
        if self._scanner is None:
            scanner = BleakScanner(self._seen, **backend(self._air, "scanner_backend"))
            await scanner.start()
            self._scanner, self._began_ns = scanner, self._clock.monotonic_ns()

    async def _stop(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is not None:
            with contextlib.suppress(*FAILURES):  # switched off or crashed meanwhile: it has stopped
                await scanner.stop()

    def _seen(self, device: BLEDevice, told: AdvertisementData) -> None:
        for found, ours in self._lookers.items():
            if not found.done() and ours(device, told):
                found.set_result(device)


_REACHES: dict[object, Reach] = {}
"""Of each radio that scans just now, by its air, or by the event loop for this computer's own."""


async def find(ours: Ours, within_s: float, clock: Clock, air: Air | None = None) -> BLEDevice | None:
    """The first wanted peripheral that is seen within so many seconds, or None.

    Raises:
        BleakError, OSError, EOFError: the radio cannot scan.
    """
    of: object = asyncio.get_running_loop() if air is None else air
    reach = _REACHES.setdefault(of, Reach(clock, air))
    try:
        return await reach.find(ours, within_s)
    finally:
        if reach.idle:
            _REACHES.pop(of, None)


async def everybody(
    seconds: float, clock: Clock, air: Air | None = None
) -> tuple[tuple[BLEDevice, AdvertisementData], ...]:
    """Each peripheral that is seen within so many seconds, with its last advertisement.

    Through the same scan as `find`: it may go on while the station looks for an indicator.

    Raises:
        BleakError, OSError, EOFError: the radio cannot scan.
    """
    seen: dict[str, tuple[BLEDevice, AdvertisementData]] = {}

    def note(device: BLEDevice, told: AdvertisementData | None) -> bool:
        if told is not None:
            seen[device.address] = (device, told)
        return False  # nobody is the wanted one: look on

    await find(note, seconds, clock, air)
    return tuple(seen.values())


async def connected(service: str, ours: Ours, air: Air | None = None) -> BLEDevice | None:
    """A wanted peripheral that the system holds connected: no scan sees it.

    It happens when the station ended without a goodbye, and when two indicators share a peripheral.

    Raises:
        BleakError, OSError, EOFError: the radio cannot be asked.
    """
    adapter = await BleakAdapter.get(**backend(air, "adapter_backend"))
    for device in await adapter.get_connected_devices([service]):
        if ours(device, None):
            return device
    return None


def backend(air: Air | None, name: str) -> dict[str, Any]:
    """The keyword arguments that make the Bluetooth library use `air`."""
    return {} if air is None else {"backend": getattr(air, name)}
