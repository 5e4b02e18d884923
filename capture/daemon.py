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

import uvicorn

from capture.api.app import create_app
from capture.bench import Bench, own_version
from capture.folder import DaemonPlace, Owned, remove_place, write_place
from config.errors import InputError
from config.indicators import Indicator
from config.limits import Limit

log = logging.getLogger(__name__)

HOST = "127.0.0.1"
PORT = 4870
READY_LOOK_S = 0.005


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
    ready: Callable[[str], None] = lambda address: None,
) -> None:
    """Serve until SIGINT or SIGTERM.

    Args:
        data: the station's folder.
        indicators: to supervise.
        limits: of the station.
        port: on loopback; 0 for any that is free.
        ready: told the address when requests are answered.

    Raises:
        InputError: the folder or the port is in use.
        StoreError: the record cannot be used.
    """
    with Owned(data), _listening(port) as listener:
        stop = _stop_on_signals()
        address = f"http://{HOST}:{listener.getsockname()[1]}"
        async with Bench(data, indicators, limits) as bench:
            config = uvicorn.Config(
                create_app(bench),
                log_config=None,
                access_log=False,
                lifespan="off",
                ws_per_message_deflate=False,
                timeout_graceful_shutdown=2,
            )
            server = _Server(config)
            serving = asyncio.create_task(server.serve(sockets=[listener]))
            while not server.started and not serving.done():
                await asyncio.sleep(READY_LOOK_S)
            write_place(data, DaemonPlace(address, os.getpid(), own_version()))
            try:
                ready(address)
                stopping = asyncio.create_task(stop.wait())
                await asyncio.wait({stopping, serving}, return_when=asyncio.FIRST_COMPLETED)
                stopping.cancel()
            finally:
                remove_place(data)
                await bench.end_runs()
                bench.fanout.close()  # listeners hear the last messages, then their sockets close
                server.should_exit = True
                await serving


@contextlib.contextmanager
def _listening(port: int) -> Iterator[socket.socket]:
    """A listening socket on loopback.

    Raises:
        InputError: the port is in use, or not allowed.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listener:
        if os.name == "posix":  # elsewhere this option would let two programs share a port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((HOST, port))
        except OSError as error:
            what = "is in use by another program" if error.errno == errno.EADDRINUSE else str(error.strerror)
            raise InputError(what, where=f"{HOST}:{port}", do="name another port with --port") from error
        yield listener


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
