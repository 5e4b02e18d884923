"""A command at the daemon's door when the daemon goes away or refuses."""

from __future__ import annotations

import asyncio

import httpx
import pytest
from websockets.asyncio.server import ServerConnection, serve

from capture.client import DaemonStation
from capture.measure_run import hand_on_keys
from capture.messages import RunProgress
from config.errors import LinkError, StoreError


async def heard_from(address: str) -> int:
    """How many messages came from the daemon at `address` until it ended."""
    count = 0
    async with httpx.AsyncClient() as client, DaemonStation(address, client).listen() as messages:
        async for _ in messages:
            count += 1
    return count


async def test_a_daemon_that_is_killed_is_told_as_gone() -> None:
    async def dies(connection: ServerConnection) -> None:
        connection.transport.abort()

    async with serve(dies, "127.0.0.1", 0) as server:
        port = next(iter(server.sockets)).getsockname()[1]
        with pytest.raises(LinkError, match=r"does not answer .*start it again with hubproof serve"):
            await heard_from(f"http://127.0.0.1:{port}")


class RefusingStation:
    """Keeps no mark: its disk refuses."""

    async def mark(self, run: str) -> None:
        raise StoreError("the disk is full", where=run)


class HeardView:
    def __init__(self) -> None:
        self.said: asyncio.Queue[tuple[str, str]] = asyncio.Queue()

    def trouble(self, where: str, text: str) -> None:
        self.said.put_nowait((where, text))


async def test_a_mark_that_is_refused_is_told_and_the_next_key_is_taken() -> None:
    begun = RunProgress(run="a-run", kind="runout", indicator="bench", state="moving", say="Turn.")
    keys: asyncio.Queue[str] = asyncio.Queue()
    view = HeardView()
    handing_on = asyncio.create_task(hand_on_keys(RefusingStation(), begun, keys, view))  # type: ignore[arg-type]
    for _ in range(2):
        keys.put_nowait(" ")
        async with asyncio.timeout(30):
            assert await view.said.get() == ("key", "a-run: the disk is full")
    handing_on.cancel()
    await asyncio.wait([handing_on])
