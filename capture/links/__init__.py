"""Links: how the bytes of an indicator reach the station. A link is imported only when it is used."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, cast

from capture.links.base import Chunk, Link

if TYPE_CHECKING:
    from capture.links.bluetooth_reach import Air
    from config.clock import Clock
    from config.indicators import Indicator

__all__ = ["LINKS", "Chunk", "Link", "link_for"]

LINKS = {
    "serial": ("capture.links.serial_port", "SerialPort"),
    "bluetooth": ("capture.links.bluetooth", "BluetoothPeripheral"),
}
"""Kind of link in indicators.toml -> module and class; the class takes (indicator, clock)."""


def link_for(indicator: Indicator, clock: Clock, air: Air | None = None) -> Link:
    """A closed link to `indicator`; `air` is another radio than this computer's, for Bluetooth links."""
    module, name = LINKS[indicator.link.kind]
    kind = getattr(import_module(module), name)
    return cast("Link", kind(indicator, clock) if air is None else kind(indicator, clock, air))
