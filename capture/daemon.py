"""The daemon: a bench and its door, from start to clean stop."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import os
import signal
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import uvicorn

from capture.api.app import create_app
from capture.api.connections import PatientProtocol, keep_nonsense_out_of_the_log
from capture.bench import Bench, own_version
from capture.folder import DaemonPlace, Owned, remove_place, write_place
from capture.interpreter import settle_in
from capture.notify import Notifier
from capture.pairing import Code, Pairing
from config.clock import SystemClock
from config.errors import InputError
from config.indicators import Indicator
from config.limits import Limit

log = logging.getLogger(__name__)

HOST = "127.0.0.1"
EVERY_ADDRESS = "0.0.0.0"  # noqa: S104 (only when the technician opens the station to the network)
PORT = 4870
READY_LOOK_S = 0.005
MOST_AT_THE_DOOR = 64
"""Connections taken in one go: each holds a descriptor until the next, also one that is one too many."""
LARGEST_FRAME = 4_096
"""Bytes of a message to the station: it listens to nothing that a listener says."""


class _Server(uvicorn.Server):
    """uvicorn without hands on the signals: the daemon ends runs before it closes the door."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


async def serve(
    data: Path,
    indicators: tuple[Indicator, ...],
    limits: tuple[Limit, ...],
    *,
    port: int = PORT,
    network: bool = False,
    ready: Callable[[str], None] = lambda address: None,
    opened: Callable[[str, Callable[[], Code]], None] = lambda address, new_code: None,
) -> None:
    """Serve until SIGINT or SIGTERM.

    Args:
        data: the station's folder.
        indicators: to supervise.
        limits: of the station.
        port: on loopback; 0 for any that is free.
        network: let paired devices of the workshop's network in too.
        ready: told the address when requests are answered.
        opened: told the address on the network and what makes a pairing code, with `network`.

    Raises:
        InputError: the folder or the port is in use.
        StoreError: the record cannot be used.
    """
    with Owned(data), _listening(EVERY_ADDRESS if network else HOST, port) as listener:
        stop = _stop_on_signals()
        bound = listener.getsockname()[1]
        address = f"http://{HOST}:{bound}"
        pairing = Pairing(data, SystemClock()) if network else None
        async with Bench(data, indicators, limits) as bench:
            server, notifier = _Server(_door(bench, pairing)), Notifier()
            serving = await _started(server, listener)
            write_place(data, DaemonPlace(address, os.getpid(), own_version()))
            settle_in()
            telling = asyncio.create_task(notifier.keep_telling(bench))
            try:
                ready(address)
                notifier.tell("READY=1", f"STATUS=ready at {address}")
                if pairing is not None:
                    opened(f"http://{network_address()}:{bound}", pairing.new_code)
                await _first_of(stop, serving)
            finally:
                await _ended(telling)
                notifier.tell("STOPPING=1")
                remove_place(data)
                await bench.end_runs()
                bench.fanout.close()  # listeners hear the last messages, then their sockets close
                server.should_exit = True
                await serving


def _door(bench: Bench, pairing: Pairing | None) -> uvicorn.Config:
    """How the station answers requests."""
    keep_nonsense_out_of_the_log()
    return uvicorn.Config(
        create_app(bench, pairing),
        log_config=None,
        access_log=False,
        lifespan="off",
        ws_per_message_deflate=False,
        ws_max_size=LARGEST_FRAME,
        http=PatientProtocol,
        backlog=MOST_AT_THE_DOOR,
        proxy_headers=False,  # no program stands before the door: who says so is a stranger
        server_header=False,
        timeout_graceful_shutdown=2,
    )


async def _started(server: uvicorn.Server, listener: socket.socket) -> asyncio.Task[None]:
    """Begin to serve; the task ends with the server. Returns as requests are answered, or none ever will."""
    serving = asyncio.create_task(server.serve(sockets=[listener]))
    while not server.started and not serving.done():
        await asyncio.sleep(READY_LOOK_S)
    return serving


async def _ended(task: asyncio.Task[Any]) -> None:
    """Cancel a task and wait until it has cleaned up."""
    task.cancel()
    await asyncio.wait({task})


async def _first_of(stop: asyncio.Event, serving: asyncio.Task[None]) -> None:
    """Wait until the station is told to stop, or its door has closed by itself."""
    stopping = asyncio.create_task(stop.wait())
    try:
        await asyncio.wait({stopping, serving}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        await _ended(stopping)


@contextlib.contextmanager
def _listening(host: str, port: int) -> Iterator[socket.socket]:
    """A listening socket.

    Raises:
        InputError: the port is in use, or not allowed.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listener:
        if os.name == "posix":  # elsewhere this option would let two programs share a port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, port))
        except OSError as error:
            what = "is in use by another program" if error.errno == errno.EADDRINUSE else str(error.strerror)
            raise InputError(what, where=f"{host}:{port}", do="name another port with --port") from error
        yield listener


def network_address() -> str:
    """The address of this machine on the network it would use; loopback when it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 of RFC 5737: choosing a way there sends nothing
        except OSError:
            return HOST
        return str(probe.getsockname()[0])


def _stop_on_signals() -> asyncio.Event:
    """An event that SIGINT and SIGTERM set; works where the event loop knows no signal handlers too."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()

    def handle(number: int, _: FrameType | None) -> None:
        log.info("stopping on %s", signal.Signals(number).name)
        loop.call_soon_threadsafe(stop.set)

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, handle)
    return stop
