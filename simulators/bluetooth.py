"""Bluetooth without radio: a central and peripherals of a Python Bluetooth stack on one simulated air.

Real ATT and GATT run between the two sides in one process. Needs the extra ``simulator``; only this
file and `bluetooth_client` import the stack, and nothing imports them unless asked to simulate.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from types import TracebackType
from typing import Any, Protocol

from bumble import att, gatt, hci
from bumble.controller import Controller
from bumble.core import AdvertisingData
from bumble.device import Connection, Device
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink

from config.clock import Clock
from simulators.gatt import (
    ATT_HEADER,
    READ_NOT_PERMITTED,
    SMALLEST_MTU,
    Characteristic,
    Feeder,
    Pacing,
    Table,
    ended,
)
from simulators.playback import Source

CENTRAL_ADDRESS = "F0:0D:00:00:00:FE"
ADVERTISING_MS = 20.0
LOOK_S = 0.1
UNKNOWN_CONNECTION = hci.HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR
LINK_LOST = hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR


class _Controller(Controller):
    """Mends two gaps of the stack's virtual controller.

    Cancelling a pending connection is a stub there: every later connection would be refused. And an end
    of a connection that crosses with the other side's own is answered for a connection that is gone.
    """

    def on_hci_le_create_connection_cancel_command(
        self, _command: hci.HCI_LE_Create_Connection_Cancel_Command
    ) -> hci.HCI_StatusReturnParameters:
        pending, self.pending_le_connection = self.pending_le_connection, None
        if pending is None:
            return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.COMMAND_DISALLOWED_ERROR)
        cancelled = hci.HCI_LE_Connection_Complete_Event(
            status=UNKNOWN_CONNECTION,
            connection_handle=0,
            role=hci.Role.CENTRAL,
            peer_address_type=pending.peer_address.address_type,
            peer_address=pending.peer_address,
            connection_interval=0,
            peripheral_latency=0,
            supervision_timeout=0,
            central_clock_accuracy=0,
        )
        asyncio.get_running_loop().call_soon(self.send_hci_packet, cancelled)
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

    def on_le_disconnected(self, connection: Any, reason: int) -> None:
        if connection.peer_address in self.le_connections:
            super().on_le_disconnected(connection, reason)


def _device(link: LocalLink, name: str, address: str, kind: type[Device] = Device) -> Device:
    controller = _Controller(name, link=link)
    random_address = hci.Address(address, hci.Address.RANDOM_DEVICE_ADDRESS)
    device = kind(name=name, address=random_address, host=Host(controller, AsyncPipeSink(controller)))
    device.random_address = device.static_address = random_address
    return device


class _Counting(Device):
    """A peripheral that can lose its link after so many requests of the other side."""

    requests_left: int | None = None

    def on_gatt_pdu(self, connection_handle: Any, pdu: bytes) -> None:
        if self.requests_left is not None:
            self.requests_left -= 1
            if self.requests_left < 0:
                return  # the other side asks, and hears nothing any more
        super().on_gatt_pdu(connection_handle, pdu)


class SimulatedPeripheral:
    """A Bluetooth indicator on a simulated air, fed by a bench. See `simulators.gatt.Radio`.

    Attributes:
        values: what each characteristic holds when it is read.
        table: what it offers.
    """

    def __init__(
        self,
        air: Air,
        table: Table,
        bench: Source,
        pacing: Pacing | None = None,
        on_heard: Callable[[], None] | None = None,
    ) -> None:
        self.table = table
        self.values = {c.uuid: c.value for service in table.services for c in service.characteristics}
        self._device = _device(air.link, table.name, table.address, _Counting)
        self._device.advertising_interval_min = self._device.advertising_interval_max = ADVERTISING_MS
        self._device.advertising_data = _advertisement(table)
        self._characteristics = _served(self)
        self._by_handle: dict[int, str] = {}
        self.feeder = Feeder(bench, table, self, air.clock, pacing, on_heard)
        self._tasks: list[asyncio.Task[None]] = []
        self._visible = False
        self._changing = asyncio.Lock()

    async def start(self) -> None:
        """Power on, be seen, and speak."""
        await self._device.power_on()
        self._by_handle = {c.handle: uuid for uuid, c in self._characteristics.items()}
        await self.appear()
        self._tasks = [asyncio.create_task(self.feeder.run()), asyncio.create_task(self._stay_seen())]

    async def stop(self) -> None:
        """Power off."""
        for task in self._tasks:
            await ended(task)
        self._tasks.clear()
        await self.vanish()
        await self._device.power_off()

    @property
    def _connection(self) -> Connection | None:
        return next(iter(self._device.connections.values()), None)

    @property
    def connected(self) -> bool:
        """Whether somebody is connected."""
        return self._connection is not None

    @property
    def mtu(self) -> int:
        """See `Radio`."""
        connection = self._connection
        return connection.att_mtu if connection is not None else SMALLEST_MTU

    def subscribed(self) -> set[str]:
        """See `Radio`."""
        connection = self._connection
        wanted = self._device.gatt_server.subscribers.get(connection, {}) if connection is not None else {}
        return {
            self._by_handle[handle]
            for handle, bits in wanted.items()
            if bits[0] & 0x01 and handle in self._by_handle
        }

    def notify(self, uuid: str, data: bytes) -> None:
        """See `Radio`."""
        connection = self._connection
        if connection is not None:
            pdu = att.ATT_Handle_Value_Notification(
                attribute_handle=self._characteristics[uuid].handle,
                attribute_value=data[: connection.att_mtu - ATT_HEADER],
            )
            self._device.gatt_server.send_gatt_pdu(connection, bytes(pdu))

    async def drop(self) -> None:
        """Lose the link, as out of reach."""
        connection = self._connection
        if connection is not None:
            await self._device.disconnect(connection, LINK_LOST)

    async def vanish(self) -> None:
        """Go out of reach: not seen, no link, until `appear`."""
        self._visible = False
        async with self._changing:
            await self._device.stop_advertising()
        await self.drop()

    async def appear(self) -> None:
        """Be seen, and again after every lost link."""
        self._visible = True
        await self._be_seen()

    async def _be_seen(self) -> None:
        async with self._changing:
            if self._visible and not self._device.is_advertising and not self.connected:
                await self._device.start_advertising(auto_restart=True)

    async def _stay_seen(self) -> None:
        """The stack forgets to advertise again when somebody was connected at the time of `appear`."""
        while True:
            await asyncio.sleep(LOOK_S)
            await self._be_seen()

    def drop_after_requests(self, count: int, lost_after_s: float = 0.1) -> None:
        """Fall silent after `count` requests of the other side, and lose the link a moment later, once."""
        assert isinstance(self._device, _Counting)
        self._device.requests_left = count
        self._tasks.append(asyncio.create_task(self._lose_when_silent(self._device, lost_after_s)))

    async def _lose_when_silent(self, device: _Counting, lost_after_s: float) -> None:
        while device.requests_left is not None and device.requests_left >= 0:
            await asyncio.sleep(0.005)
        await asyncio.sleep(lost_after_s)
        device.requests_left = None
        await self.drop()


def _advertisement(table: Table) -> bytes:
    """Name and services; what is too long for one advertisement goes without the services."""
    name = (AdvertisingData.COMPLETE_LOCAL_NAME, table.name.encode())
    services = b"".join(bytes.fromhex(uuid.replace("-", ""))[::-1] for uuid in table.advertised)
    return bytes(
        AdvertisingData([name, (AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS, services)])
    )


def _served(peripheral: SimulatedPeripheral) -> dict[str, gatt.Characteristic[bytes]]:
    """Puts the table into the device's GATT server."""
    made: dict[str, gatt.Characteristic[bytes]] = {}
    for service in peripheral.table.services:
        for c in service.characteristics:
            made[c.uuid] = _characteristic(c, peripheral.values)
        offered = [made[c.uuid] for c in service.characteristics]
        peripheral._device.add_service(gatt.Service(service.uuid, offered))
    return made


def _characteristic(c: Characteristic, values: dict[str, bytes]) -> gatt.Characteristic[bytes]:
    def read(_connection: Connection) -> bytes:
        if "read" not in c.flags:
            raise att.ATT_Error(READ_NOT_PERMITTED)  # without it the stack would let the reader hang
        return values[c.uuid]

    def write(_connection: Connection, value: bytes) -> None:
        values[c.uuid] = value

    readable = gatt.Characteristic.Permissions.READABLE
    properties = gatt.Characteristic.Properties.from_string(",".join(flag.upper() for flag in c.flags))
    return gatt.Characteristic(
        c.uuid,
        properties,
        readable | gatt.Characteristic.Permissions.WRITEABLE,
        gatt.CharacteristicValue(read, write),
        [gatt.Descriptor(uuid, readable, value) for uuid, value in c.descriptors],
    )


class Central(Protocol):
    """A connection of the station, as its air knows it."""

    address: str

    def lose_without_a_word(self) -> None:
        """Its connection is gone and nobody says so."""
        ...


class Air:
    """The air of one workshop: a central (the station's adapter) and the peripherals around it.

    Use as an async context inside the running loop. The whole station works on it when its links are
    made with ``link_for(indicator, clock, air)``::

        async with Air(clock) as air:
            peripheral = await air.put(table_for([indicator]), bench)
            async with Bench(folder, [indicator], (), open_link=partial(link_for, air=air)) as station:
                ...
    """

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.link: LocalLink = LocalLink()  # type: ignore[no-untyped-call]
        self.central = _device(self.link, "station", CENTRAL_ADDRESS)
        self.connecting = asyncio.Lock()
        self.powered = True
        self.running = True
        self.scanners = 0
        self.peripherals: list[SimulatedPeripheral] = []
        self.clients: set[Central] = set()
        self.seen: set[str] = set()

    async def __aenter__(self) -> Air:
        await self.central.power_on()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for peripheral in self.peripherals:
            await peripheral.stop()
        await self.central.power_off()

    async def put(
        self,
        table: Table,
        bench: Source,
        pacing: Pacing | None = None,
        on_heard: Callable[[], None] | None = None,
    ) -> SimulatedPeripheral:
        """Put an indicator within reach; for `on_heard` see `simulators.gatt.Feeder`."""
        peripheral = SimulatedPeripheral(self, table, bench, pacing, on_heard)
        await peripheral.start()
        self.peripherals.append(peripheral)
        return peripheral

    async def power(self, on: bool) -> None:
        """Switch the station's adapter on or off; off ends every connection."""
        self.powered = on
        if not on:
            for connection in list(self.central.connections.values()):
                await self.central.disconnect(connection, LINK_LOST)

    async def crash(self) -> None:
        """The system's Bluetooth service dies without a word: nobody is called back, nobody is known."""
        self.running = False
        self.seen.clear()
        for client in self.clients:
            client.lose_without_a_word()
        for connection in list(self.central.connections.values()):
            await self.central.disconnect(connection, LINK_LOST)

    def restart(self) -> None:
        """The service runs again."""
        self.running = True

    async def forget(self, peripheral: SimulatedPeripheral) -> None:
        """The service forgets a peripheral: its connection ends without a word, it must be seen anew."""
        address = peripheral.table.address
        self.seen.discard(address)
        for client in self.clients:
            if client.address == address:
                client.lose_without_a_word()
        await peripheral.drop()

    @property
    def client_backend(self) -> type[Any]:
        """What to give as ``backend=`` to a client."""
        from simulators.bluetooth_client import SimulatedClient

        return type("SimulatedClient", (SimulatedClient,), {"air": self})

    @property
    def adapter_backend(self) -> type[Any]:
        """What to give as ``backend=`` to an adapter."""
        from simulators.bluetooth_client import SimulatedAdapter

        return type("SimulatedAdapter", (SimulatedAdapter,), {"air": self})

    @property
    def scanner_backend(self) -> type[Any]:
        """What to give as ``backend=`` to a scanner."""
        from simulators.bluetooth_client import SimulatedScanner

        return type("SimulatedScanner", (SimulatedScanner,), {"air": self})
