"""Links: how the bytes of an indicator reach the station. A link is imported only when it is used."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, cast

from capture.links.base import Chunk, Link

if TYPE_CHECKING:
    from config.clock import Clock
    from config.indicators import Indicator

__all__ = ["LINKS", "Chunk", "Link", "link_for"]

LINKS = {
    "serial": ("capture.links.serial_port", "SerialPort"),
    "bluetooth": ("capture.links.bluetooth", "BluetoothPeripheral"),
}
"""Kind of link in indicators.toml -> module and class; the class takes (indicator, clock)."""


def link_for(indicator: Indicator, clock: Clock) -> Link:
    """A closed link to `indicator`."""
    module, name = LINKS[indicator.link.kind]
    return cast("Link", getattr(import_module(module), name)(indicator, clock))
