"""A stand-in for the system's Bluetooth service of Linux, on a message bus of its own.

The station's production Bluetooth runs against it unmodified: set ``DBUS_SYSTEM_BUS_ADDRESS`` to the
address of a `simulators.private_bus.PrivateBus`. Objects, methods and properties follow the service's
public D-Bus documentation; it was never compared with a real one. Linux only.
"""

from __future__ import annotations

import asyncio
import contextlib
import select
import socket
from collections.abc import Awaitable, Callable
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio.message_bus import MessageBus

from config.clock import Clock
from simulators.bluetooth_served import (
    ADAPTER_PATH,
    DEVICE,
    GATT_CHARACTERISTIC,
    GATT_DESCRIPTOR,
    MTU,
    Properties,
    ServedPeripheral,
)
from simulators.gatt import Pacing, Table, ended
from simulators.playback import Source

SERVICE = "org.bluez"
ADAPTER = "org.bluez.Adapter1"
OBJECTS, PROPERTIES = "org.freedesktop.DBus.ObjectManager", "org.freedesktop.DBus.Properties"
UNKNOWN_OBJECT = "org.freedesktop.DBus.Error.UnknownObject"
UNKNOWN_METHOD = "org.freedesktop.DBus.Error.UnknownMethod"

Answer = Message | None  # None: answered already


class BluetoothService:
    """The stand-in. Use as an async context on the address of a `simulators.private_bus.PrivateBus`.

    Args:
        address: of the bus.
        clock: who paces the peripherals.
        resolve_s: how long a connection and the resolving of services take, each.
        adapter: whether the computer has one.
    """

    def __init__(self, address: str, clock: Clock, *, resolve_s: float = 0.02, adapter: bool = True) -> None:
        self.clock = clock
        self._address = address
        self._resolve_s = resolve_s
        self._bus: MessageBus | None = None
        self.powered = True
        self._has_adapter = adapter
        self.scanning: set[str] = set()
        self.peripherals: dict[str, ServedPeripheral] = {}
        self.objects: dict[str, dict[str, Properties]] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._feeders: list[asyncio.Task[None]] = []
        self._outbox: asyncio.Queue[tuple[Message, socket.socket | None]] = asyncio.Queue()

    async def __aenter__(self) -> BluetoothService:
        await self.begin()
        return self

    async def __aexit__(self, *_: object) -> None:
        for task in self._feeders:
            await ended(task)
        await self.crash()

    async def begin(self) -> None:
        """Start, or start again after a crash: nothing is known but the adapter."""
        self.objects = {ADAPTER_PATH: {ADAPTER: self._adapter()}} if self._has_adapter else {}
        self._bus = await MessageBus(bus_address=self._address, negotiate_unix_fd=True).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name(SERVICE)
        self._spawn(self._send_all(self._bus))
        self._spawn(self._advertise())

    async def crash(self) -> None:
        """Vanish from the bus without a word; nobody hears of any device again."""
        for task in list(self._tasks):
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks)
        self._tasks.clear()
        for peripheral in self.peripherals.values():
            peripheral.connected = peripheral.connecting = False
            peripheral.silence()
        self.scanning.clear()
        self.objects = {}
        self._outbox = asyncio.Queue()
        if self._bus is not None:
            self._bus.disconnect()
            with contextlib.suppress(OSError, EOFError):
                await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
            self._bus = None

    def put(
        self,
        table: Table,
        bench: Source,
        pacing: Pacing | None = None,
        on_heard: Callable[[], None] | None = None,
    ) -> ServedPeripheral:
        """Put a peripheral within reach; for `on_heard` see `simulators.gatt.Feeder`."""
        peripheral = ServedPeripheral(self.changed, self.clock, table, bench, pacing, on_heard)
        self.peripherals[peripheral.path] = peripheral
        self._feeders.append(asyncio.create_task(peripheral.feeder.run()))
        return peripheral

    # What goes wrong

    def power(self, on: bool) -> None:
        """Switch the adapter on or off; off ends every connection."""
        self.powered = on
        if not on:
            for peripheral in self.peripherals.values():
                self.drop(peripheral)
        self.changed(ADAPTER_PATH, ADAPTER, {"Powered": Variant("b", on)})

    def drop(self, peripheral: ServedPeripheral) -> None:
        """Lose the link."""
        if peripheral.connected:
            peripheral.connected = False
            peripheral.silence()
            self._remove([path for path in self.objects if path.startswith(f"{peripheral.path}/")])
            off = Variant("b", False)
            self.changed(peripheral.path, DEVICE, {"ServicesResolved": off, "Connected": off})

    def forget(self, peripheral: ServedPeripheral) -> None:
        """Forget the device; one that is connected is removed without its end being told."""
        peripheral.connected = False
        peripheral.silence()
        self._remove([path for path in self.objects if path.startswith(peripheral.path)])

    # Signals

    def changed(self, path: str, interface: str, properties: Properties) -> None:
        """Keep new values of properties and tell everybody."""
        if path in self.objects:
            self.objects[path][interface].update(properties)
            self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, properties, []])

    def _add(self, path: str, interfaces: dict[str, Properties]) -> None:
        self.objects[path] = interfaces
        self._signal("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    def _remove(self, paths: list[str]) -> None:
        for path in sorted(paths, reverse=True):
            interfaces = self.objects.pop(path)
            self._signal("/", OBJECTS, "InterfacesRemoved", "oas", [path, list(interfaces)])

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        self._outbox.put_nowait((Message.new_signal(path, interface, member, signature, body), None))

    async def _send_all(self, bus: MessageBus) -> None:
        """One after another, each only when the socket takes it: the library gives up on a full one."""
        while True:
            message, handed_over = await self._outbox.get()
            while bus._fd is not None and not select.select([], [bus._fd], [], 0)[1]:
                await asyncio.sleep(0.001)
            with contextlib.suppress(OSError, EOFError):  # the bus was killed: nobody is left to hear
                await bus.send(message)
            if handed_over is not None:
                handed_over.close()

    def _spawn(self, work: Awaitable[None]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _adapter(self) -> Properties:
        return {
            "Address": Variant("s", "F0:0D:00:00:00:FE"),
            "Name": Variant("s", "station"),
            "Powered": Variant("b", self.powered),
            "Discovering": Variant("b", False),
            "Roles": Variant("as", ["central", "peripheral"]),
        }

    async def _advertise(self) -> None:
        """While somebody scans, what is in reach is seen ten times a second."""
        while True:
            await self.clock.sleep(0.1 if self.scanning else 0.01)
            for peripheral in self.peripherals.values():
                if self.scanning and self.powered and peripheral.in_reach and not peripheral.connected:
                    if peripheral.path not in self.objects:
                        self._add(peripheral.path, {DEVICE: peripheral.device()})
                    else:
                        self.changed(peripheral.path, DEVICE, {"RSSI": Variant("n", -50)})

    # Calls

    def _handle(self, call: Message) -> Message | bool | None:
        if call.message_type is not MessageType.METHOD_CALL or call.destination not in (
            SERVICE,
            self._bus.unique_name if self._bus else None,
        ):
            return None
        if call.interface == OBJECTS and call.member == "GetManagedObjects":
            return Message.new_method_return(call, "a{oa{sa{sv}}}", [self.objects])
        if call.path not in self.objects:
            return Message.new_error(call, UNKNOWN_OBJECT, f"no object {call.path}")
        answerers: dict[str, Callable[[Message], Awaitable[Answer]]] = {
            "SetDiscoveryFilter": self._nothing,
            "StartDiscovery": self._start_discovery,
            "StopDiscovery": self._stop_discovery,
            "Connect": self._connect,
            "Disconnect": self._disconnect,
            "ReadValue": self._read,
            "WriteValue": self._write,
            "StartNotify": self._start_notify,
            "StopNotify": self._stop_notify,
            "AcquireNotify": self._acquire_notify,
        }
        answerer = answerers.get(call.member or "")
        if answerer is None:
            return Message.new_error(call, UNKNOWN_METHOD, f"no method {call.member}")
        self._spawn(self._answer(call, answerer))
        return True

    async def _answer(self, call: Message, answerer: Callable[[Message], Awaitable[Answer]]) -> None:
        if not self.powered and call.member != "Disconnect":
            reply: Answer = _refusal(call, "NotReady", "Resource Not Ready")
        else:
            reply = await answerer(call)
        if reply is not None:
            self._outbox.put_nowait((reply, None))

    async def _nothing(self, call: Message) -> Answer:
        return _done(call)

    async def _start_discovery(self, call: Message) -> Answer:
        if call.sender in self.scanning:
            return _refusal(call, "InProgress", "Operation already in progress")
        self.scanning.add(call.sender or "")
        return _done(call)

    async def _stop_discovery(self, call: Message) -> Answer:
        if call.sender not in self.scanning:
            return _refusal(call, "Failed", "No discovery started")
        self.scanning.discard(call.sender or "")
        return _done(call)

    def _of(self, call: Message) -> ServedPeripheral:
        path = call.path or ""
        return next(p for p in self.peripherals.values() if path.startswith(p.path))

    async def _connect(self, call: Message) -> Answer:
        peripheral = self._of(call)
        if peripheral.connecting:
            return _refusal(call, "InProgress", "Operation already in progress")
        if peripheral.refuse:
            peripheral.refuse -= 1
            return _refusal(call, "Failed", "le-connection-refused")
        peripheral.connecting = True
        try:
            while peripheral.connecting and not peripheral.in_reach:
                await self.clock.sleep(0.01)
            await self.clock.sleep(self._resolve_s)
            if not peripheral.connecting:
                return _refusal(call, "Failed", "connection canceled")
        finally:
            peripheral.connecting = False
        if peripheral.path not in self.objects:
            return Message.new_error(call, UNKNOWN_OBJECT, "forgotten while connecting")
        peripheral.connected = True
        self.changed(peripheral.path, DEVICE, {"Connected": Variant("b", True)})
        self._spawn(self._resolve(peripheral))
        return _done(call)

    async def _resolve(self, peripheral: ServedPeripheral) -> None:
        await self.clock.sleep(self._resolve_s)
        if peripheral.drop_in_discovery:
            peripheral.drop_in_discovery -= 1
            self.drop(peripheral)
        if peripheral.connected:
            for path, interfaces in peripheral.objects().items():
                self._add(path, interfaces)
            self.changed(peripheral.path, DEVICE, {"ServicesResolved": Variant("b", True)})

    async def _disconnect(self, call: Message) -> Answer:
        peripheral = self._of(call)
        peripheral.connecting = False
        self.drop(peripheral)
        return _done(call)

    async def _read(self, call: Message) -> Answer:
        peripheral = self._of(call)
        await self.clock.sleep(peripheral.feeder.pacing.interval_s)
        path = call.path or ""
        if "/desc" in path:
            characteristic = peripheral.paths[path.rpartition("/")[0]]
            uuid = self.objects[path][GATT_DESCRIPTOR]["UUID"].value
            value = dict(characteristic.descriptors)[uuid]
        elif "read" not in peripheral.paths[path].flags:
            return _refusal(call, "NotPermitted", "Read not permitted")
        else:
            value = peripheral.values[peripheral.paths[path].uuid]
            if path in peripheral.notifying:  # the real service gives the answer to subscribers as well
                self.changed(path, GATT_CHARACTERISTIC, {"Value": Variant("ay", value)})
        return Message.new_method_return(call, "ay", [value])

    async def _write(self, call: Message) -> Answer:
        peripheral = self._of(call)
        if "write" not in peripheral.paths[call.path or ""].flags:
            return _refusal(call, "NotPermitted", "Write not permitted")
        peripheral.values[peripheral.paths[call.path or ""].uuid] = bytes(call.body[0])
        return _done(call)

    async def _start_notify(self, call: Message) -> Answer:
        return self._notifies(call, None)

    def _notifies(self, call: Message, pipe: socket.socket | None) -> Message:
        peripheral, path = self._of(call), call.path or ""
        if "notify" not in peripheral.paths[path].flags:
            return _refusal(call, "NotSupported", "Operation is not supported")
        peripheral.notifying[path] = pipe
        self.changed(path, GATT_CHARACTERISTIC, {"Notifying": Variant("b", True)})
        return _done(call)

    async def _stop_notify(self, call: Message) -> Answer:
        peripheral, path = self._of(call), call.path or ""
        peripheral.notifying.pop(path, None)
        self.changed(path, GATT_CHARACTERISTIC, {"Notifying": Variant("b", False)})
        return _done(call)

    async def _acquire_notify(self, call: Message) -> Answer:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        answer = self._notifies(call, ours)
        if answer.message_type is MessageType.ERROR:
            ours.close()
            theirs.close()
            return answer
        reply = Message.new_method_return(call, "hq", [0, MTU], unix_fds=[theirs.fileno()])
        self._outbox.put_nowait((reply, theirs))
        return None


def _done(call: Message) -> Message:
    return Message.new_method_return(call)


def _refusal(call: Message, name: str, text: str) -> Message:
    return Message.new_error(call, f"org.bluez.Error.{name}", text)
