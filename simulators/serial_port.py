"""A serial port that is not there: a pseudo-terminal, or a TCP socket where the system has none.

The only file of the simulators with calls that exist on POSIX systems alone; they are reached only
through `PtyWire`.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import tempfile
import threading
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from config.clock import Clock, SystemClock
from config.indicators import Indicator, PolledFormat
from simulators.faults import WireFaults, spoil
from simulators.indicator import Readings
from simulators.playback import Source
from simulators.wire import Polled, Shown, encoder_of, shown

HAS_PTY = os.name == "posix"
PATIENCE_S = 2.0
LOOK_UP_S = 0.01


class Wire(Protocol):
    """One end of a serial line; the other is what a program opens under `url`."""

    url: str

    def plug(self) -> None:
        """Make `url` openable."""
        ...

    def unplug(self) -> None:
        """Take it away: whoever has it open sees the end at once. May be called twice."""
        ...

    def send(self, data: bytes, patience_s: float = 0.0) -> bool:
        """Send all of `data`, or drop what does not fit within `patience_s`; False when some was dropped."""
        ...

    def heard(self) -> bytes:
        """What the other end has sent since the last call."""
        ...


class PtyWire:
    """A pseudo-terminal behind a link of constant name, so that it can be plugged in again."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="simulated-port-")
        self.url = str(Path(self._folder.name) / "indicator")
        self._ours: int | None = None
        self._theirs: int | None = None

    def plug(self) -> None:
        """See `Wire`."""
        import pty
        import tty

        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        Path(self.url).symlink_to(os.ttyname(self._theirs))

    def unplug(self) -> None:
        """See `Wire`."""
        Path(self.url).unlink(missing_ok=True)
        for end in (self._ours, self._theirs):
            if end is not None:
                os.close(end)
        self._ours = self._theirs = None

    def send(self, data: bytes, patience_s: float = 0.0) -> bool:
        """See `Wire`. Nobody reading is like a line that ends in the air: what is old falls out."""
        while data and self._ours is not None:
            try:
                data = data[os.write(self._ours, data) :]
            except BlockingIOError:
                if not select.select([], [self._ours], [], patience_s)[1]:
                    self._forget()
                    return False
        return not data

    def _forget(self) -> None:
        import termios

        assert self._theirs is not None
        termios.tcflush(self._theirs, termios.TCIFLUSH)

    def heard(self) -> bytes:
        """See `Wire`."""
        if self._ours is None:
            return b""
        try:
            return os.read(self._ours, 4096)
        except BlockingIOError:
            return b""

    def close(self) -> None:
        """Unplug and remove the name."""
        self.unplug()
        self._folder.cleanup()


class SocketWire:
    """A TCP port of this machine, opened as ``socket://127.0.0.1:PORT``; one program at a time."""

    def __init__(self, port: int = 0) -> None:
        self._port = port
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        self.url = f"socket://127.0.0.1:{port}"

    def plug(self) -> None:
        """See `Wire`."""
        self._listener = socket.socket()
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listener.bind(("127.0.0.1", self._port))
        self._listener.listen(1)
        self._listener.setblocking(False)
        self._port = self._listener.getsockname()[1]
        self.url = f"socket://127.0.0.1:{self._port}"

    def unplug(self) -> None:
        """See `Wire`."""
        for end in (self._peer, self._listener):
            if end is not None:
                end.close()
        self._peer = self._listener = None

    def send(self, data: bytes, patience_s: float = 0.0) -> bool:
        """See `Wire`."""
        self._welcome()
        while data and self._peer is not None:
            try:
                data = data[self._peer.send(data) :]
            except BlockingIOError:
                if not select.select([], [self._peer], [], patience_s)[1]:
                    return False
            except ConnectionError:
                self._part()
        return not data

    def heard(self) -> bytes:
        """See `Wire`."""
        self._welcome()
        if self._peer is None:
            return b""
        try:
            data = self._peer.recv(4096)
        except BlockingIOError:
            return b""
        except ConnectionError:
            data = b""
        if not data:
            self._part()
        return data

    def _welcome(self) -> None:
        if self._listener is not None:
            with contextlib.suppress(BlockingIOError):
                peer, _ = self._listener.accept()
                self._part()
                peer.setblocking(False)
                peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._peer = peer

    def _part(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None

    def close(self) -> None:
        """Unplug."""
        self.unplug()


def new_wire(kind: str = "auto", port: int = 0) -> PtyWire | SocketWire:
    """A wire: ``pty``, ``socket``, or whichever the system has with ``auto``."""
    if kind == "pty" or (kind == "auto" and HAS_PTY):
        return PtyWire()
    return SocketWire(port)


class VirtualSerialPort:
    """An indicator on a virtual serial port, fed by a simulated bench at the clock's pace.

    Use as a context, or with `start` and `stop`. `url` is what a program opens.

    Args:
        indicator: the description that it speaks.
        bench: where the readings come from: a bench, or a `simulators.playback.Playback`.
        clock: the bench's clock.
        wire: ``auto``, ``pty`` or ``socket``.
        port: TCP port, 0 for any.
        faults: what happens to the bytes.
        byte_by_byte: send every byte by itself.
        each_once: a polled indicator answers with every reading in turn, waiting for the next when it has
            none, instead of the one of now.
    """

    def __init__(
        self,
        indicator: Indicator,
        bench: Source,
        clock: Clock | None = None,
        *,
        wire: str = "auto",
        port: int = 0,
        faults: WireFaults | None = None,
        byte_by_byte: bool = False,
        each_once: bool = False,
    ) -> None:
        self.indicator = indicator
        self.bench = bench
        self.sent = 0
        self.faults = faults or WireFaults()
        self._dice = self.faults.dice()
        self._clock = clock or SystemClock()
        self._wire = new_wire(wire, port)
        self._encode = encoder_of(indicator)
        self._polled = (
            Polled(indicator, waits=each_once) if isinstance(indicator.format, PolledFormat) else None
        )
        self._byte_by_byte = byte_by_byte
        self._now: Shown | None = None
        self._unsent: deque[Shown] | None = deque() if each_once else None
        self._ending = threading.Event()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        """What to open, once started."""
        return self._wire.url

    def start(self) -> None:
        """Plug in and begin to speak."""
        with self._lock:
            self._wire.plug()
        self._thread = threading.Thread(
            target=self._speak, name=f"simulated {self.indicator.name}", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Unplug for good."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        with self._lock:
            self._wire.close()

    def __enter__(self) -> VirtualSerialPort:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def unplug(self) -> None:
        """Pull the cable; the bench goes on, unheard."""
        with self._lock:
            self._wire.unplug()

    def replug(self) -> None:
        """Plug it in again under the same name."""
        with self._lock:
            self._wire.plug()

    def _speak(self) -> None:
        while not self._ending.is_set():
            readings = self.bench.due()
            with self._lock:
                self._send(readings)
                if self._polled is not None:
                    for answer in self._polled.hear(self._wire.heard(), self._asked):
                        self._put(answer)
            wait_s = self.bench.next_s() - self.bench.now_s
            if self._polled is not None:
                wait_s = min(wait_s, LOOK_UP_S / 4)
            self._clock.pause(max(0.0005, min(wait_s, LOOK_UP_S)))

    def _send(self, readings: Readings) -> None:
        for reading in shown(readings):
            self._now = reading
            if self._unsent is not None:
                self._unsent.append(reading)
            if self._polled is None:
                self._put(self._encode(reading))

    def _asked(self) -> Shown | None:
        if self._unsent is None:
            return self._now
        return self._unsent.popleft() if self._unsent else None

    def _put(self, message: bytes) -> None:
        self.sent += 1
        for piece in spoil(message, self.faults, self._dice):
            if self._byte_by_byte:
                for at in range(len(piece)):
                    self._wire.send(piece[at : at + 1])
            else:
                self._wire.send(piece)


def replay(
    wire: PtyWire | SocketWire,
    messages: Sequence[bytes],
    times_s: Sequence[float],
    *,
    speed: float = 1.0,
    clock: Clock | None = None,
    byte_by_byte: bool = True,
) -> int:
    """Send recorded messages at `speed` times their own pace; returns how many went out whole.

    Blocks until all is sent (run it in a thread beside an event loop). The other end should be open: what
    nobody reads within two seconds is lost, as on any wire.

    Args:
        wire: plugged in.
        messages: the bytes of each message, its line end included.
        times_s: (n,) when each was sent; a time that runs backwards is sent at once.
        speed: how many times faster.
        clock: who paces it.
        byte_by_byte: every byte in a write of its own.
    """
    pace = clock or SystemClock()
    begun_ns = pace.monotonic_ns()
    whole = 0
    for message, time_s in zip(messages, times_s, strict=True):
        due_s = (time_s - times_s[0]) / speed
        wait_s = due_s - (pace.monotonic_ns() - begun_ns) / 1e9
        if wait_s > 0:
            pace.pause(wait_s)
        pieces = [message[at : at + 1] for at in range(len(message))] if byte_by_byte else [message]
        whole += all(wire.send(piece, PATIENCE_S) for piece in pieces)
    return whole
