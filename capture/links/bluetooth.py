"""A Bluetooth peripheral that notifies its readings, through bleak on every system."""

from __future__ import annotations

import asyncio
import contextlib
import re
from collections.abc import AsyncIterator
from typing import Any

from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakBluetoothNotAvailableError, BleakError

from capture.decoding.gatt import PRESENTATION
from capture.links.base import Chunk, Inbox
from config.clock import NS_PER_S, Clock
from config.errors import LinkError
from config.indicators import BluetoothLink, GattFormat, GattFramesFormat, GattLinesFormat, Indicator

SCAN_S = 5.0
CONNECT_S = 10.0
LOOK_S = 1.0
SILENT_S = 2.0
"""After this much silence the peripheral is asked for something cheap: a link can die without a word."""
ANSWER_S = 2.0
BATTERY_LEVEL = "00002a19-0000-1000-8000-00805f9b34fb"
DEVICE_NAME = "00002a00-0000-1000-8000-00805f9b34fb"
BASE_UUID = "0000{}-0000-1000-8000-00805f9b34fb"

FAILURES = (BleakError, TimeoutError, OSError, EOFError)
"""All that bleak's backends raise when something is wrong with the radio or the peripheral."""


def full_uuid(text: str) -> str:
    """A UUID in full, from four hexadecimal digits or as it is."""
    return BASE_UUID.format(text.lower()) if re.fullmatch(r"[0-9a-fA-F]{4}", text) else text.lower()


class BluetoothPeripheral:
    """Connects, subscribes, and hands on each notification with the time at which it came.

    Args:
        indicator: with a Bluetooth link and one of the gatt formats.
        clock: the station's clock.
        options: for bleak's scanner and client (a test brings its own backend).
    """

    def __init__(self, indicator: Indicator, clock: Clock, **options: Any) -> None:
        assert isinstance(indicator.link, BluetoothLink)
        assert isinstance(indicator.format, GattFormat | GattFramesFormat | GattLinesFormat)
        self._link, self._form = indicator.link, indicator.format
        self._clock = clock
        self._options = options
        self._client: BleakClient | None = None
        self._inbox: Inbox | None = None
        self._watch: asyncio.Task[None] | None = None
        self._heard_ns = 0
        self._wanted = True
        self.presentation = b""

    @property
    def where(self) -> str:
        """See `Link`."""
        return self._link.address or self._link.name_pattern or f"service {self._link.service}"

    async def open(self) -> None:
        """See `Link`."""
        self._inbox = Inbox()
        try:
            device = await self._find()
            self._client = BleakClient(
                device, disconnected_callback=self._dropped, timeout=CONNECT_S, **self._options
            )
            await self._client.connect()
            await self._subscribe(self._client)
        except FAILURES as error:
            raise self._told(error) from error
        self._heard_ns = self._clock.monotonic_ns()
        self._watch = asyncio.create_task(self._ask_when_silent(self._client))

    async def _find(self) -> BLEDevice:
        pattern = re.compile(self._link.name_pattern) if self._link.name_pattern else None
        service = full_uuid(self._link.service) if self._link.service else None

        def ours(device: BLEDevice, told: AdvertisementData) -> bool:
            if self._link.address and device.address.lower() != self._link.address.lower():
                return False
            if pattern and not pattern.fullmatch(told.local_name or device.name or ""):
                return False
            return service is None or service in [uuid.lower() for uuid in told.service_uuids]

        device = await BleakScanner.find_device_by_filter(ours, timeout=SCAN_S, **self._options)
        if device is None:
            raise LinkError("is not in reach", where=self.where, do="switch it on and bring it nearer")
        return device

    async def _subscribe(self, client: BleakClient) -> None:
        service = client.services.get_service(full_uuid(self._form.service))
        found = service.get_characteristic(full_uuid(self._form.characteristic)) if service else None
        if found is None:
            raise LinkError(
                f"has no characteristic {self._form.characteristic} in service {self._form.service}",
                where=self.where,
                do="correct its format in the indicators file",
            )
        if isinstance(self._form, GattFormat):
            described = found.get_descriptor(PRESENTATION)
            if described is not None:
                self.presentation = bytes(await client.read_gatt_descriptor(described.handle))
        await client.start_notify(found, self._notified)

    def _notified(self, _: object, data: bytearray) -> None:
        t_ns = self._clock.monotonic_ns()  # first of all: notifications carry no time
        self._heard_ns = t_ns
        assert self._inbox is not None
        self._inbox.give_now(Chunk(bytes(data), t_ns))

    def _dropped(self, _: BleakClient) -> None:
        """Called for the station's own goodbye too."""
        if self._wanted and self._inbox is not None:
            self._inbox.end(LinkError("the radio link was lost", where=self.where, do="bring it nearer"))

    async def _ask_when_silent(self, client: BleakClient) -> None:
        """Find out about a link that died without a word (a crashed Bluetooth service says nothing)."""
        assert self._inbox is not None
        cheap = next(
            (c for uuid in (BATTERY_LEVEL, DEVICE_NAME) if (c := client.services.get_characteristic(uuid))),
            None,
        )
        while cheap is not None:
            await self._clock.sleep(LOOK_S)
            if self._clock.monotonic_ns() - self._heard_ns < SILENT_S * NS_PER_S:
                continue
            try:
                async with asyncio.timeout(ANSWER_S):
                    await client.read_gatt_char(cheap)
            except FAILURES as error:
                self._inbox.end(self._told(error))
                return

    def _told(self, error: BaseException) -> LinkError:
        no_service = isinstance(error, FileNotFoundError | ConnectionRefusedError)  # of the system's own
        if no_service or isinstance(error, BleakBluetoothNotAvailableError) or "NotReady" in str(error):
            return LinkError("Bluetooth is off or missing", where=self.where, do="switch Bluetooth on")
        if isinstance(error, TimeoutError):
            return LinkError("does not answer", where=self.where, do="switch it on and bring it nearer")
        detail = " ".join(str(error).split())[:120] or type(error).__name__
        return LinkError(f"cannot be reached ({detail})", where=self.where, do="switch it off and on")

    async def chunks(self) -> AsyncIterator[Chunk]:
        """See `Link`."""
        assert self._inbox is not None, "open first"
        async for chunk in self._inbox.chunks():
            yield chunk

    async def write(self, data: bytes) -> None:
        """See `Link`."""
        assert self._client is not None, "open first"
        try:
            await self._client.write_gatt_char(full_uuid(self._form.characteristic), data)
        except FAILURES as error:
            raise self._told(error) from error

    async def close(self) -> None:
        """See `Link`. Says goodbye after a drop too: each drop would leave a descriptor open otherwise."""
        self._wanted = False
        if self._inbox is not None:
            self._inbox.end()
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.wait([self._watch])
        if self._client is not None:
            with contextlib.suppress(*FAILURES):
                async with asyncio.timeout(ANSWER_S):
                    await self._client.disconnect()
            self._client = None
