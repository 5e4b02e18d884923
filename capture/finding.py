"""What could be an indicator: the serial ports of this computer, and the Bluetooth peripherals in reach."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from capture.messages import Message
from capture.system import may_open, permission_advice
from config.clock import SystemClock
from config.indicators import BluetoothLink, Indicator, SerialLink

if TYPE_CHECKING:
    from bleak import BleakClient

    from capture.links.bluetooth_reach import Air

LOOK_S = 5.0
CONNECT_S = 8.0


class FoundPort(Message):
    """A serial port: what is plugged in there, whether it may be opened, and which entry describes it."""

    kind: Literal["serial"] = "serial"
    port: str
    description: str
    usb: str | None
    usb_serial_number: str | None
    allowed: bool
    do: str | None
    described_as: str | None


class Offer(Message):
    """A characteristic that notifies: what 0x2904 says of its form, None where it has no such descriptor."""

    service: str
    characteristic: str
    form: str | None


class FoundPeripheral(Message):
    """A Bluetooth peripheral in reach: its name, what it advertises, and when looked into, what it offers."""

    kind: Literal["bluetooth"] = "bluetooth"
    address: str
    name: str | None
    signal_dbm: int | None
    services: tuple[str, ...]
    offers: tuple[Offer, ...] | None
    described_as: str | None
    why: str | None = None


def find_ports(described: Sequence[Indicator] = ()) -> tuple[FoundPort, ...]:
    """The serial ports of this computer, sorted by name."""
    from serial.tools import list_ports

    return tuple(_port(port, described) for port in sorted(list_ports.comports(), key=lambda p: p.device))


def _port(port: Any, described: Sequence[Indicator]) -> FoundPort:
    usb = f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None and port.pid is not None else None
    allowed = may_open(port.device)
    return FoundPort(
        port=port.device,
        description=port.description or "",
        usb=usb,
        usb_serial_number=port.serial_number,
        allowed=allowed,
        do=None if allowed else permission_advice(port.device),
        described_as=next(
            (each.name for each in described if _same_port(each, port.device, usb, port.serial_number)), None
        ),
    )


def _same_port(indicator: Indicator, device: str, usb: str | None, serial_number: str | None) -> bool:
    link = indicator.link
    if not isinstance(link, SerialLink):
        return False
    if link.port is not None:
        return link.port == device
    return (link.usb or "").lower() == usb and link.usb_serial_number in (None, serial_number)


async def find_peripherals(
    described: Sequence[Indicator] = (),
    *,
    seconds: float = LOOK_S,
    look_into: bool = False,
    air: Air | None = None,
) -> tuple[FoundPeripheral, ...]:
    """The Bluetooth peripherals in reach, the strongest first.

    Args:
        described: the station's indicators, to say which one is known.
        seconds: how long to look.
        look_into: connect to each in turn and list what notifies.
        air: another radio than this computer's.

    Raises:
        LinkError: Bluetooth is off, missing or not allowed.
    """
    from capture.links.bluetooth_errors import FAILURES, told
    from capture.links.bluetooth_reach import everybody

    try:
        seen = await everybody(seconds, SystemClock(), air)
    except FAILURES as error:
        raise told(error, "Bluetooth") from error
    found: list[FoundPeripheral] = []
    for device, heard in sorted(seen, key=lambda pair: -(pair[1].rssi or -200)):
        name = heard.local_name or device.name
        offers: tuple[Offer, ...] | None = None
        why = None
        if look_into:
            try:
                offers = await offers_of(device, air)
            except FAILURES as error:
                why = told(error, device.address).line()
        found.append(
            FoundPeripheral(
                address=device.address,
                name=name,
                signal_dbm=heard.rssi,
                services=tuple(sorted(set(heard.service_uuids))),
                offers=offers,
                described_as=_described_peripheral(described, device.address, name),
                why=why,
            )
        )
    return tuple(found)


def _described_peripheral(described: Sequence[Indicator], address: str, name: str | None) -> str | None:
    import re

    for each in described:
        link = each.link
        if not isinstance(link, BluetoothLink):
            continue
        if link.address and link.address.lower() == address.lower():
            return each.name
        if link.name_pattern and name and re.fullmatch(link.name_pattern, name):
            return each.name
    return None


async def offers_of(device: Any, air: Air | None = None) -> tuple[Offer, ...]:
    """Connect to a peripheral and list the characteristics that notify, without battery level.

    Raises:
        BleakError, TimeoutError, OSError, EOFError: it cannot be connected.
    """
    from bleak import BleakClient

    from capture.links.bluetooth_reach import backend

    async with (
        asyncio.timeout(CONNECT_S),
        BleakClient(device, timeout=CONNECT_S, **backend(air, "client_backend")) as client,
    ):
        return await notifying(client)


async def notifying(client: BleakClient) -> tuple[Offer, ...]:
    """What notifies at a connected peripheral."""
    from capture.decoding.gatt import PRESENTATION
    from capture.links.bluetooth import BATTERY_LEVEL

    offers = []
    for characteristic in client.services.characteristics.values():
        if "notify" not in characteristic.properties or characteristic.uuid == BATTERY_LEVEL:
            continue
        descriptor = characteristic.get_descriptor(PRESENTATION)
        form = None
        if descriptor is not None:
            form = shown_form(bytes(await client.read_gatt_descriptor(descriptor.handle)))
        offers.append(
            Offer(service=characteristic.service_uuid, characteristic=characteristic.uuid, form=form)
        )
    return tuple(offers)


def shown_form(presentation: bytes) -> str | None:
    """The 7 bytes of a Presentation Format descriptor in words; None when they are not 7."""
    from capture.decoding.gatt import INCH, METRE

    if len(presentation) != 7:
        return None
    code, exponent, unit, _, _ = struct.unpack("<BbHBH", presentation)
    name = {METRE: "metre", INCH: "inch"}.get(unit, f"unit 0x{unit:04X}")
    return f"format 0x{code:02X}, 10^{exponent} {name}"
