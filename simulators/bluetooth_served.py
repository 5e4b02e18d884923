"""One peripheral as the stand-in of the system's Bluetooth service shows it to the station."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable

from dbus_fast import Variant

from config.clock import Clock
from simulators.gatt import Characteristic, Feeder, Pacing, Table
from simulators.playback import Source

ADAPTER_PATH = "/org/bluez/hci0"
DEVICE = "org.bluez.Device1"
GATT_SERVICE, GATT_CHARACTERISTIC, GATT_DESCRIPTOR = (
    f"org.bluez.Gatt{kind}1" for kind in ("Service", "Characteristic", "Descriptor")
)
MTU = 247

Properties = dict[str, Variant]
Changed = Callable[[str, str, Properties], None]


class ServedPeripheral:
    """A peripheral behind the service. See `simulators.gatt.Radio`.

    Attributes:
        in_reach: whether it advertises and answers.
        refuse: refuse so many connections.
        drop_in_discovery: lose so many connections before the services are resolved.
    """

    def __init__(
        self,
        changed: Changed,
        clock: Clock,
        table: Table,
        bench: Source,
        pacing: Pacing | None,
        on_heard: Callable[[], None] | None = None,
    ) -> None:
        self.table = table
        self.path = f"{ADAPTER_PATH}/dev_{table.address.replace(':', '_')}"
        self.values = {c.uuid: c.value for s in table.services for c in s.characteristics}
        self.in_reach = True
        self.connected = False
        self.connecting = False
        self.refuse = 0
        self.drop_in_discovery = 0
        self.paths: dict[str, Characteristic] = {}
        self.notifying: dict[str, socket.socket | None] = {}
        self._changed = changed
        self.feeder = Feeder(bench, table, self, clock, pacing, on_heard)
        self._path_of: dict[str, str] = {}

    @property
    def mtu(self) -> int:
        """See `Radio`."""
        return MTU

    def subscribed(self) -> set[str]:
        """See `Radio`."""
        return {self.paths[path].uuid for path in self.notifying if path in self.paths}

    def notify(self, uuid: str, data: bytes) -> None:
        """See `Radio`."""
        path = self._path_of[uuid]
        pipe = self.notifying.get(path)
        if pipe is None:
            self._changed(path, GATT_CHARACTERISTIC, {"Value": Variant("ay", data)})
        else:
            with contextlib.suppress(BlockingIOError, ConnectionError):  # full, or gone meanwhile
                pipe.send(data)

    def objects(self) -> dict[str, dict[str, Properties]]:
        """Services, characteristics and descriptors by path, as they stand once resolved."""
        self.paths.clear()
        found: dict[str, dict[str, Properties]] = {}
        handle = 0x0010
        for service in self.table.services:
            service_path = f"{self.path}/service{handle:04x}"
            found[service_path] = {
                GATT_SERVICE: {
                    "UUID": Variant("s", service.uuid),
                    "Primary": Variant("b", True),
                    "Device": Variant("o", self.path),
                }
            }
            handle += 1
            for c in service.characteristics:
                handle = self._describe(found, service_path, c, handle)
        return found

    def _describe(
        self, found: dict[str, dict[str, Properties]], service_path: str, c: Characteristic, handle: int
    ) -> int:
        path = f"{service_path}/char{handle:04x}"
        self.paths[path] = c
        self._path_of[c.uuid] = path
        properties = {
            "UUID": Variant("s", c.uuid),
            "Service": Variant("o", service_path),
            "Flags": Variant("as", list(c.flags)),
            "Notifying": Variant("b", False),
            "MTU": Variant("q", MTU),
        }
        if "notify" in c.flags:
            properties["NotifyAcquired"] = Variant("b", False)
        found[path] = {GATT_CHARACTERISTIC: properties}
        handle += 3  # declaration, value, configuration
        for uuid, _ in c.descriptors:
            found[f"{path}/desc{handle:04x}"] = {
                GATT_DESCRIPTOR: {"UUID": Variant("s", uuid), "Characteristic": Variant("o", path)}
            }
            handle += 1
        return handle

    def silence(self) -> None:
        """End all notifications."""
        for pipe in self.notifying.values():
            if pipe is not None:
                pipe.close()
        self.notifying.clear()

    def device(self) -> Properties:
        """The device's properties as it is first seen."""
        off = Variant("b", False)
        return {
            "Address": Variant("s", self.table.address),
            "AddressType": Variant("s", "random"),
            "Name": Variant("s", self.table.name),
            "Alias": Variant("s", self.table.name),
            "Adapter": Variant("o", ADAPTER_PATH),
            "UUIDs": Variant("as", list(self.table.advertised)),
            "RSSI": Variant("n", -50),
            "Paired": off,
            "Connected": off,
            "ServicesResolved": off,
        }
