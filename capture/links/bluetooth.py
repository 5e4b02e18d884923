"""A Bluetooth peripheral that notifies its readings, through bleak on every system."""

from __future__ import annotations

import asyncio
import contextlib
import re
from collections.abc import AsyncIterator

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakGATTProtocolError

from capture.decoding.gatt import PRESENTATION
from capture.links.base import Chunk, Inbox
from capture.links.bluetooth_errors import FAILURES, told
from capture.links.bluetooth_reach import Air, backend, connected, find
from config.clock import NS_PER_S, Clock
from config.errors import LinkError
from config.indicators import BluetoothLink, GattFormat, GattFramesFormat, GattLinesFormat, Indicator

SEEN_S = 1.5
"""A peripheral that is free is seen within this; then those the system holds connected are looked at."""
SCAN_S = 3.5
CONNECT_S = (3.0, 6.0, 10.0)
"""A peripheral that goes while it is being connected leaves an attempt behind that never ends: the first is
given up soon, later ones are given what a slow peripheral needs."""
SUBSCRIBE_S = 5.0
LONGEST_OPENING_S = 20.0
LOOK_S = 0.5
SILENT_S = 1.0
"""After this much silence the peripheral is asked for something cheap: a link can die without a word."""
ANSWER_S = 2.0
GOODBYE_S = 0.5
"""A lost link's goodbye is waited for no longer: the system may wait for the end of what has ended."""
LONGEST_SILENCE_S = 10.0
"""A silent peripheral that has nothing to be asked for is connected anew after this."""
BATTERY_S = 60.0
BATTERY_LEVEL = "00002a19-0000-1000-8000-00805f9b34fb"
BASE_UUID = "0000{}-0000-1000-8000-00805f9b34fb"


_UNANSWERED: dict[str, int] = {}
"""Attempts in a row that ended in silence, by where: a link is made anew for each."""


def full_uuid(text: str) -> str:
    """A UUID in full, from four hexadecimal digits or as it is."""
    return BASE_UUID.format(text.lower()) if re.fullmatch(r"[0-9a-fA-F]{4}", text) else text.lower()


class BluetoothPeripheral:
    """Connects, subscribes, and hands on each notification with the time at which it came.

    Args:
        indicator: with a Bluetooth link and one of the gatt formats.
        clock: the station's clock.
        air: another radio than this computer's own (a simulated one).

    Attributes:
        presentation: value of the descriptor 0x2904, where the format is read from it.
        battery: percent, None as long as the peripheral has not told.
    """

    def __init__(self, indicator: Indicator, clock: Clock, air: Air | None = None) -> None:
        assert isinstance(indicator.link, BluetoothLink)
        assert isinstance(indicator.format, GattFormat | GattFramesFormat | GattLinesFormat)
        self._link, self._form = indicator.link, indicator.format
        self._clock = clock
        self._air = air
        self._pattern = re.compile(self._link.name_pattern) if self._link.name_pattern else None
        self._client: BleakClient | None = None
        self._inbox: Inbox | None = None
        self._watch: asyncio.Task[None] | None = None
        self._heard_ns = 0
        self._wanted = True
        self._lost = False
        self.presentation = b""
        self.battery: int | None = None

    @property
    def where(self) -> str:
        """See `Link`."""
        return self._link.address or self._link.name_pattern or f"service {self._link.service}"

    async def open(self) -> None:
        """See `Link`."""
        self._inbox = Inbox()
        try:
            async with asyncio.timeout(LONGEST_OPENING_S):  # the system waits for an answer without end
                device = await self._find()
                client = await self._connected(device)
                async with asyncio.timeout(SUBSCRIBE_S):
                    await self._subscribe(client)
        except FAILURES as error:
            raise told(error, self.where) from error
        self._heard_ns = self._clock.monotonic_ns()
        self._watch = asyncio.create_task(self._ask_when_silent(client))

    async def _find(self) -> BLEDevice:
        device = await find(self._ours, SEEN_S, self._clock, self._air)
        if device is None:
            service = full_uuid(self._link.service or self._form.service)
            device = await connected(service, self._ours, self._air)
        if device is None:
            device = await find(self._ours, SCAN_S, self._clock, self._air)
        if device is None:
            raise LinkError("is not in reach", where=self.where, do="switch it on and bring it nearer")
        return device

    async def _connected(self, device: BLEDevice) -> BleakClient:
        unanswered = _UNANSWERED.pop(self.where, 0)
        client = self._client = BleakClient(  # before it is connected: a half connection needs a goodbye too
            device,
            disconnected_callback=self._dropped,
            timeout=CONNECT_S[min(unanswered, len(CONNECT_S) - 1)],
            **backend(self._air, "client_backend"),
        )
        try:
            await client.connect()
        except TimeoutError:
            _UNANSWERED[self.where] = unanswered + 1
            raise
        return client

    def _ours(self, device: BLEDevice, told: AdvertisementData | None) -> bool:
        if self._link.address and device.address.lower() != self._link.address.lower():
            return False
        name = (told and told.local_name) or device.name or ""
        if self._pattern and not self._pattern.fullmatch(name):
            return False
        if self._link.service is None or told is None:
            return True
        return full_uuid(self._link.service) in [uuid.lower() for uuid in told.service_uuids]

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
        if self._wanted:
            self._lose(LinkError("the radio link was lost", where=self.where, do="bring it nearer"))

    def _lose(self, error: LinkError) -> None:
        self._lost = True
        if self._inbox is not None:
            self._inbox.end(error)

    # Watching ------------------------------------------------------------------------------------

    async def _ask_when_silent(self, client: BleakClient) -> None:
        """Ask for the battery now and then, and for anything when nothing is heard.

        A link can die without a word: a crashed Bluetooth service, or a device that the system
        forgot, ends the notifications and calls nobody back.
        """
        battery, cheap = self._askable(client)
        asked_ns: int | None = None
        try:
            while True:
                now_ns = self._clock.monotonic_ns()
                silent_s = (now_ns - self._heard_ns) / NS_PER_S
                if battery is not None and (asked_ns is None or now_ns - asked_ns >= BATTERY_S * NS_PER_S):
                    asked_ns = now_ns
                    level = await self._ask(client, battery)
                    battery = battery if level else None  # refused: never asked again
                    self.battery = level[0] if level else None
                elif silent_s >= SILENT_S and cheap is not None:
                    await self._ask(client, cheap)
                elif silent_s >= LONGEST_SILENCE_S:
                    why = "has been silent for too long"
                    self._lose(LinkError(why, where=self.where, do="switch it off and on"))
                    return
                await self._clock.sleep(LOOK_S)
        except FAILURES as error:
            self._lose(told(error, self.where))

    def _askable(
        self, client: BleakClient
    ) -> tuple[BleakGATTCharacteristic | None, BleakGATTCharacteristic | None]:
        """The battery level, and what can be read at any time.

        Never the measuring characteristic: on some systems the answer arrives as a notification too.
        """
        measuring = full_uuid(self._form.characteristic)
        readable = [
            c
            for c in client.services.characteristics.values()
            if "read" in c.properties and c.uuid != measuring
        ]
        battery = next((c for c in readable if c.uuid == BATTERY_LEVEL), None)
        return battery, battery or next(iter(readable), None)

    async def _ask(self, client: BleakClient, what: BleakGATTCharacteristic) -> bytes:
        """Its value; empty when the peripheral refuses to tell, which is an answer too."""
        try:
            async with asyncio.timeout(ANSWER_S):
                return bytes(await client.read_gatt_char(what))
        except BleakGATTProtocolError:
            return b""

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
            raise told(error, self.where) from error

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
                async with asyncio.timeout(GOODBYE_S if self._lost else ANSWER_S):
                    await self._client.disconnect()
            self._client = None
