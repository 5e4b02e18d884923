"""The far end of each kind of link: what a test sends there arrives, what the station writes is heard."""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import socket
import threading
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, Protocol

import numpy as np
import serial
import serial.rfc2217

from capture.links import Link, link_for
from config.clock import Clock
from config.indicators import Indicator, load_indicators
from simulators.indicator import Readings
from tests.capture.helpers import indicator


class FarEnd(Protocol):
    """What a contract test asks of a far end."""

    link: Link

    def send(self, data: bytes) -> None: ...

    async def heard(self) -> bytes: ...

    async def leave(self) -> None:
        """Be gone for good, without a goodbye."""
        ...


class PtyEnd:
    def __init__(self, clock: Clock) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.link = link_for(indicator(os.ttyname(slave)), clock)
        os.close(slave)

    def send(self, data: bytes) -> None:
        os.write(self._master, data)

    async def heard(self) -> bytes:
        return await asyncio.to_thread(os.read, self._master, 100)

    async def leave(self) -> None:
        if self._master >= 0:
            os.close(self._master)
        self._master = -1


class SocketEnd:
    def __init__(self, clock: Clock) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.link = link_for(indicator(f"{self.scheme}://127.0.0.1:{self._server.getsockname()[1]}"), clock)
        self._peer: socket.socket | None = None
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="far end", daemon=True)
        self._thread.start()

    scheme = "socket"

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            self._peer, _ = self._server.accept()
            self._ready.set()

    def send(self, data: bytes) -> None:
        assert self._ready.wait(30)
        assert self._peer is not None
        self._peer.sendall(data)

    async def heard(self) -> bytes:
        assert self._peer is not None
        return await asyncio.to_thread(self._peer.recv, 100)

    async def leave(self) -> None:
        for end in (self._peer, self._server):
            if end is not None:
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)
                end.close()
        await asyncio.to_thread(self._thread.join)


class NetworkPortEnd(SocketEnd):
    """A network converter that speaks RFC 2217, by the serial library's own server side."""

    scheme = "rfc2217"

    def _serve(self) -> None:
        self._heard = bytearray()
        with contextlib.suppress(OSError), serial.serial_for_url("loop://", timeout=0) as port:
            self._peer, _ = self._server.accept()
            self._manager = serial.rfc2217.PortManager(port, self)
            self._ready.set()
            while data := self._peer.recv(1024):
                self._heard += b"".join(self._manager.filter(data))

    def write(self, data: bytes) -> None:
        """What the negotiation answers (called by the port manager)."""
        assert self._peer is not None
        self._peer.sendall(data)

    def send(self, data: bytes) -> None:
        assert self._ready.wait(30)
        self.write(b"".join(self._manager.escape(data)))

    async def heard(self) -> bytes:
        async with asyncio.timeout(30):
            while not self._heard:
                await asyncio.sleep(0.005)
        return bytes(self._heard)


class _Silent:
    """An indicator that says nothing by itself."""

    now_s = 0.0

    def next_s(self) -> float:
        return math.inf

    def due(self) -> Readings:
        none = np.empty(0)
        return Readings(none, none.astype(np.int64), none.astype(bool), none.astype(np.int8))


def _radio_lines() -> Indicator:
    return next(each for each in load_indicators() if each.format.kind == "gatt-lines")


class RadioEnd:
    def __init__(self, clock: Clock, air: Any, peripheral: Any) -> None:
        self._peripheral = peripheral
        described = _radio_lines()
        self._uuid = described.format.characteristic  # type: ignore[union-attr]
        self.link = link_for(described, clock, air)

    def send(self, data: bytes) -> None:
        for at in range(0, len(data), 20):
            self._peripheral.notify(self._uuid, data[at : at + 20])

    async def heard(self) -> bytes:
        return bytes(self._peripheral.values[self._uuid])

    async def leave(self) -> None:
        await self._peripheral.vanish()


@asynccontextmanager
async def far_end(kind: str, clock: Clock) -> AsyncIterator[FarEnd]:
    """The far end of a kind of link; gone at the end."""
    if kind == "bluetooth":
        from simulators.bluetooth import Air
        from simulators.gatt import Pacing, table_for

        async with Air(clock) as air:
            peripheral = await air.put(table_for([_radio_lines()]), _Silent(), Pacing(0.01))
            yield RadioEnd(clock, air, peripheral)
        return
    wires: dict[str, type[PtyEnd | SocketEnd]] = {
        "port": PtyEnd,
        "socket": SocketEnd,
        "rfc2217": NetworkPortEnd,
    }
    end = wires[kind](clock)
    try:
        yield end
    finally:
        await end.leave()
