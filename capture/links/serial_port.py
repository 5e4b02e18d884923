"""A serial port by path, by USB ids, or by any URL that pyserial knows (``socket://``, ``rfc2217://``)."""

from __future__ import annotations

import asyncio
import os
import select
import threading
from collections.abc import AsyncIterator, Callable
from functools import partial
from typing import Any

import serial
from serial.tools import list_ports

from capture.links.base import Chunk, Inbox
from capture.links.serial_errors import lost, no_such_usb, not_opened
from capture.system import TERMINAL_ERRORS
from config.clock import Clock
from config.errors import LinkError
from config.indicators import Indicator, SerialLink

LOOK_UP_S = 0.2
"""How often the reading thread looks up when nothing arrives, to notice that it should end."""

MOST_BYTES = 65_536
NOT_OPENED: tuple[type[Exception], ...] = (OSError, ValueError, *TERMINAL_ERRORS)
PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


def find_port(link: SerialLink) -> str:
    """The port's path or URL; a USB device is looked up among those plugged in.

    Raises:
        LinkError: no USB device with these ids is plugged in.
    """
    if link.port is not None:
        return link.port
    assert link.usb is not None
    vendor, product = (int(part, 16) for part in link.usb.split(":"))
    for port in list_ports.comports():
        same = (port.vid, port.pid) == (vendor, product)
        if same and link.usb_serial_number in (None, port.serial_number):
            return str(port.device)
    raise no_such_usb(link)


class SerialPort:
    """Reads a port in a thread of its own, in the chunks in which bytes arrive."""

    presentation = b""
    battery: int | None = None

    def __init__(self, indicator: Indicator, clock: Clock) -> None:
        assert isinstance(indicator.link, SerialLink)
        self._link = indicator.link
        self._clock = clock
        self._port: Any = None
        self._inbox: Inbox | None = None
        self._thread: threading.Thread | None = None
        self._closing = False

    @property
    def where(self) -> str:
        """See `Link`."""
        return self._link.port or f"USB device {self._link.usb}"

    async def open(self) -> None:
        """See `Link`."""
        self._port = await asyncio.to_thread(self._open)
        self._inbox = Inbox()
        self._thread = threading.Thread(
            target=self._read_all, args=(self._port, self._inbox), name=f"read {self.where}", daemon=True
        )
        self._thread.start()

    def _open(self) -> Any:
        name = find_port(self._link)
        try:
            port = serial.serial_for_url(
                name,
                baudrate=self._link.baud,
                bytesize=self._link.data_bits,
                parity=PARITY[self._link.parity],
                stopbits=self._link.stop_bits,
                timeout=LOOK_UP_S,
                write_timeout=None if name.startswith("rfc2217://") else 1.0,  # not known to that protocol
                exclusive=None if "://" in name else True,
            )
        except NOT_OPENED as error:
            raise not_opened(name, error) from error
        try:
            port.reset_input_buffer()  # what lay there is older than this opening
        except NOT_OPENED as error:
            port.close()
            raise lost(name, error) from error
        return port

    def _read_all(self, port: Any, inbox: Inbox) -> None:
        """The thread: the clock is read as the first byte of a chunk is here, before anything else."""
        read_chunk = _way_to_read(port)
        try:
            while not self._closing:
                data, t_ns = read_chunk(self._clock.monotonic_ns)
                if data:
                    inbox.give(Chunk(data, t_ns))
        except (OSError, TypeError, ValueError, AttributeError) as error:
            # pyserial lets TypeError and its like out when a port vanishes under a read
            inbox.end(None if self._closing else lost(self.where, error))
        else:
            inbox.end()

    async def chunks(self) -> AsyncIterator[Chunk]:
        """See `Link`."""
        assert self._inbox is not None, "open first"
        async for chunk in self._inbox.chunks():
            yield chunk

    async def write(self, data: bytes) -> None:
        """See `Link`."""
        try:
            await asyncio.to_thread(self._port.write, data)
        except OSError as error:
            raise lost(self.where, error) from error

    async def close(self) -> None:
        """See `Link`."""
        if self._port is None or self._closing:
            return
        self._closing = True
        if self._inbox is not None:
            self._inbox.end()
        await asyncio.to_thread(self._close)

    def _close(self) -> None:
        try:
            if hasattr(self._port, "cancel_read"):
                self._port.cancel_read()
            if self._thread is not None:
                self._thread.join()
        finally:
            self._port.close()


ReadChunk = Callable[[Callable[[], int]], tuple[bytes, int]]
"""Waits for bytes, at most `LOOK_UP_S`, reads the clock it is given as they are here, and takes them all."""


def _way_to_read(port: Any) -> ReadChunk:
    if hasattr(port, "pipe_abort_read_r"):
        return partial(_read_descriptor, port)
    counts_bytes = not str(port.portstr or "").startswith("socket://")
    return partial(_read_port, port, counts_bytes)


def _read_descriptor(port: Any, now_ns: Callable[[], int]) -> tuple[bytes, int]:
    """A port of a POSIX system: one wait and one read, where pyserial's own way takes five calls."""
    ready, _, _ = select.select([port.fd, port.pipe_abort_read_r], [], [], LOOK_UP_S)
    t_ns = now_ns()
    if port.fd not in ready:
        return b"", t_ns
    data = os.read(port.fd, MOST_BYTES)
    if not data:
        raise OSError("the port says that it has something to read, and has nothing")
    return data, t_ns


def _read_port(port: Any, counts_bytes: bool, now_ns: Callable[[], int]) -> tuple[bytes, int]:
    first = port.read(1)
    t_ns = now_ns()
    if not first:
        return b"", t_ns
    return first + (port.read(port.in_waiting) if counts_bytes else _drain(port)), t_ns


def _drain(port: Any) -> bytes:
    """What a network port holds: it counts no bytes, so it is read without waiting."""
    port.timeout = 0
    try:
        rest: bytes = port.read(MOST_BYTES)
    finally:
        port.timeout = LOOK_UP_S
    return rest


__all__ = ["LinkError", "SerialPort", "find_port"]
