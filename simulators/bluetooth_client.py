"""The station's side of the simulated air, as a backend of the Bluetooth library that the station uses."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, ClassVar, TypeVar

from bleak.args import SizedBuffer
from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, AdvertisementDataCallback, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)
from bumble import core, hci
from bumble.att import ATT_Error
from bumble.core import AdvertisingData, ProtocolError
from bumble.device import Advertisement, Connection, Device
from bumble.gatt_client import CharacteristicProxy

from simulators.bluetooth import Air
from simulators.gatt import ATT_HEADER, SMALLEST_MTU

WANTED_MTU = 247
Answer = TypeVar("Answer")
PROPERTIES = {
    0x02: "read",
    0x04: "write-without-response",
    0x08: "write",
    0x10: "notify",
    0x20: "indicate",
}


def _must_be_on(air: Air) -> None:
    if not air.running:
        raise BleakBluetoothNotAvailableError(
            "the Bluetooth service does not run", BleakBluetoothNotAvailableReason.UNKNOWN
        )
    if not air.powered:
        raise BleakBluetoothNotAvailableError(
            "the adapter is switched off", BleakBluetoothNotAvailableReason.POWERED_OFF
        )


class SimulatedAdapter(BaseBleakAdapter):
    """Knows what is connected: nothing that the station did not connect itself."""

    air: ClassVar[Air]

    @classmethod
    async def get(cls, **_: Any) -> SimulatedAdapter:
        """See `BaseBleakAdapter`."""
        _must_be_on(cls.air)
        return cls()

    async def get_connected_devices(self, service_uuids: frozenset[str]) -> list[BLEDevice]:
        """See `BaseBleakAdapter`."""
        return []


class SimulatedScanner(BaseBleakScanner):
    """Sees the peripherals of its air."""

    air: ClassVar[Air]

    def __init__(
        self,
        detection_callback: AdvertisementDataCallback | None,
        service_uuids: list[str] | None,
        scanning_mode: str = "active",
        **_: Any,
    ) -> None:
        super().__init__(detection_callback, service_uuids)

    async def start(self) -> None:
        """See `BaseBleakScanner`."""
        _must_be_on(self.air)
        self.seen_devices = {}
        self.air.central.on(Device.EVENT_ADVERTISEMENT, self._seen)
        self.air.scanners += 1
        if self.air.scanners == 1:
            await self.air.central.start_scanning(filter_duplicates=False)

    async def stop(self) -> None:
        """See `BaseBleakScanner`."""
        self.air.central.remove_listener(Device.EVENT_ADVERTISEMENT, self._seen)
        self.air.scanners -= 1
        if not self.air.scanners:
            await self.air.central.stop_scanning()

    def _seen(self, advertisement: Advertisement) -> None:
        data = advertisement.data
        name = data.get(AdvertisingData.Type.COMPLETE_LOCAL_NAME)
        services = data.get_all(AdvertisingData.Type.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS)
        uuids = [str(uuid.to_hex_str("-")).lower() for found in services for uuid in found]
        if not self.is_allowed_uuid(uuids):
            return
        address = advertisement.address.to_string(False)
        self.air.seen.add(address)
        told = AdvertisementData(
            local_name=name,
            manufacturer_data={},
            service_data={},
            service_uuids=uuids,
            tx_power=None,
            rssi=advertisement.rssi,
            platform_data=(),
        )
        device = self.create_or_update_device(address, address, name, advertisement.address, told)
        self.call_detection_callbacks(device, told)


class SimulatedClient(BaseBleakClient):
    """A connection over its air."""

    air: ClassVar[Air]

    def __init__(
        self,
        address_or_ble_device: BLEDevice | str,
        *,
        services: set[str] | None = None,
        disconnected_callback: Callable[[], None] | None,
        timeout: float,
        **_: Any,
    ) -> None:
        super().__init__(address_or_ble_device, disconnected_callback=disconnected_callback, timeout=timeout)
        known = address_or_ble_device if isinstance(address_or_ble_device, BLEDevice) else None
        self._name = known.name if known else None
        self._connection: Connection | None = None
        self._lost = False
        self._wanted_mtu = WANTED_MTU

    @property
    def name(self) -> str:
        """See `BaseBleakClient`."""
        return self._name or self.address

    @property
    def mtu_size(self) -> int:
        """See `BaseBleakClient`."""
        return self._connection.att_mtu if self._connection else SMALLEST_MTU

    @property
    def is_connected(self) -> bool:
        """See `BaseBleakClient`."""
        return self._connection is not None

    async def connect(self, pair: bool, **kwargs: Any) -> None:
        """See `BaseBleakClient`."""
        if self.is_connected:
            raise BleakError("already connected")
        async with self.air.connecting:  # a radio has one pending connection
            _must_be_on(self.air)
            if self.address not in self.air.seen:
                raise BleakDeviceNotFoundError(self.address, f"{self.address} was not seen, or was forgotten")
            connection = await self._reach()
        self._connection = connection
        self.air.clients.add(self)
        connection.on(connection.EVENT_DISCONNECTION, self._gone)
        try:
            async with asyncio.timeout(self._timeout):  # as the library's own backends do
                await self._asked(connection.gatt_client.request_mtu(self._wanted_mtu))
                self.services = await self._discover(connection)
        except BaseException:
            await self.disconnect()
            raise

    async def _reach(self) -> Connection:
        address = hci.Address(self.address, hci.Address.RANDOM_DEVICE_ADDRESS)
        try:
            return await self.air.central.connect(address, timeout=self._timeout)
        except (core.TimeoutError, core.ConnectionError) as error:
            raise TimeoutError(f"{self.address} did not answer within {self._timeout} s") from error
        except asyncio.CancelledError:
            # The stack leaves the connection pending when the task is cancelled.
            await self.air.central.send_sync_command(hci.HCI_LE_Create_Connection_Cancel_Command())
            raise

    async def _discover(self, connection: Connection) -> BleakGATTServiceCollection:
        found = BleakGATTServiceCollection()
        for remote in await self._asked(connection.gatt_client.discover_services()):
            service = BleakGATTService(remote, remote.handle, _text(remote.uuid))
            found.add_service(service)
            for proxy in await self._asked(remote.discover_characteristics()):
                characteristic = BleakGATTCharacteristic(
                    proxy,
                    proxy.handle,
                    _text(proxy.uuid),
                    [name for bit, name in PROPERTIES.items() if proxy.properties & bit],  # type: ignore[misc]
                    lambda: connection.att_mtu - ATT_HEADER,
                    service,
                )
                found.add_characteristic(characteristic)
                for one in await self._asked(proxy.discover_descriptors()):
                    found.add_descriptor(
                        BleakGATTDescriptor(one, one.handle, _text(one.type), characteristic)
                    )
        return found

    async def _asked(self, question: Coroutine[Any, Any, Answer]) -> Answer:
        """The answer; whatever the stack raises becomes what the station's library raises."""
        try:
            return await question
        except asyncio.CancelledError:
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise
            raise BleakError("disconnected while waiting for an answer") from None
        except ATT_Error as error:
            raise BleakGATTProtocolError(BleakGATTProtocolErrorCode(error.error_code)) from error
        except (ProtocolError, core.TimeoutError, core.InvalidStateError) as error:
            raise BleakError(str(error)) from error

    def lose_without_a_word(self) -> None:
        """See `simulators.bluetooth.Central`."""
        self._lost = True

    def _gone(self, _reason: int) -> None:
        if self._connection is not None and not self._lost:
            self._part()

    def _part(self) -> None:
        """The end that is told."""
        self.air.clients.discard(self)
        if self._connection is not None:
            self._connection = None
            self.services = None
            if self._disconnected_callback is not None:
                self._disconnected_callback()

    async def disconnect(self) -> None:
        """See `BaseBleakClient`. Does nothing when the link is gone already."""
        if self._lost:
            self._part()
        elif self._connection is not None:
            await self.air.central.disconnect(
                self._connection, hci.HCI_ErrorCode.REMOTE_USER_TERMINATED_CONNECTION_ERROR
            )

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        """See `BaseBleakClient`; a bench indicator needs none."""
        raise NotImplementedError("simulated indicators do not pair")

    async def unpair(self) -> None:
        """See `BaseBleakClient`."""
        raise NotImplementedError("simulated indicators do not pair")

    def _client(self) -> Any:
        if self._connection is None or self._lost:
            raise BleakError("not connected")
        return self._connection.gatt_client

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        """See `BaseBleakClient`."""
        return bytearray(await self._asked(self._client().read_value(characteristic.handle)))

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        """See `BaseBleakClient`."""
        return bytearray(await self._asked(self._client().read_value(descriptor.handle)))

    async def write_gatt_char(
        self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool
    ) -> None:
        """See `BaseBleakClient`."""
        await self._asked(self._client().write_value(characteristic.handle, bytes(data), response))

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: SizedBuffer) -> None:
        """See `BaseBleakClient`."""
        await self._asked(self._client().write_value(descriptor.handle, bytes(data), True))

    async def start_notify(
        self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **kwargs: Any
    ) -> None:
        """See `BaseBleakClient`."""
        self._client()
        proxy: CharacteristicProxy[bytes] = characteristic.obj
        await self._asked(proxy.subscribe(lambda value: callback(bytearray(value))))

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        """See `BaseBleakClient`."""
        proxy: CharacteristicProxy[bytes] = characteristic.obj
        client = self._client()
        client.notification_subscribers.pop(proxy.handle, None)
        await self._asked(client.unsubscribe(proxy, force=True))


def _text(uuid: core.UUID) -> str:
    """An identifier in full, lower case."""
    hexadecimal = uuid.to_hex_str("-").lower()
    return f"0000{hexadecimal}-0000-1000-8000-00805f9b34fb" if len(hexadecimal) == 4 else hexadecimal
