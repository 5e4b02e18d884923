"""Sockets that say nothing, or very little: what a stranger on the network holds open, and for how long."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator

import pytest
import uvicorn
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send
from uvicorn.server import ServerState

from capture.api import connections
from capture.api.app import MOST_SAID, _until_gone
from capture.api.connections import (
    MOST_HERE,
    MOST_OF_NETWORK,
    MOST_OF_ONE,
    PatientProtocol,
    keep_nonsense_out_of_the_log,
    too_many,
)

WAIT_S = 30
WHOLE = b"POST / HTTP/1.1\r\nHost: here\r\nContent-Length: 2\r\n\r\nab"


async def _answer(scope: Scope, receive: Receive, send: Send) -> None:
    body = await Request(scope, receive).body()
    await PlainTextResponse(body)(scope, receive, send)


@contextlib.asynccontextmanager
async def serving(state: ServerState | None = None) -> AsyncIterator[int]:
    config = uvicorn.Config(_answer, http=PatientProtocol, log_config=None, lifespan="off")
    config.load()
    state = state or ServerState()
    server = await asyncio.get_running_loop().create_server(
        lambda: PatientProtocol(config=config, server_state=state, app_state={}), "127.0.0.1", 0
    )
    async with server:
        yield server.sockets[0].getsockname()[1]
        for each in tuple(state.connections):
            each.transport.abort()


async def closed(reader: asyncio.StreamReader) -> bytes:
    """All that came until the station closed."""
    with contextlib.suppress(ConnectionResetError):
        return await asyncio.wait_for(reader.read(), WAIT_S)
    return b""


@pytest.mark.parametrize(
    "begun", [b"", WHOLE[:20], WHOLE[:-1]], ids=["nothing", "half a head", "half a body"]
)
async def test_a_request_that_does_not_arrive_is_not_waited_for(
    begun: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("HEAD_S", "BODY_S", "LOOK_S"):
        monkeypatch.setattr(connections, name, 0.02)
    async with serving() as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(begun)
        assert await closed(reader) == b""
        writer.close()


async def test_slow_requests_are_waited_for_each_with_time_of_its_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(connections, "LOOK_S", 0.001)  # many looks, and all the patience
    async with serving() as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        for _ in range(2):
            for part in (WHOLE[:20], WHOLE[20:-1], WHOLE[-1:]):
                writer.write(part)
                await writer.drain()
                await asyncio.sleep(0.01)
            assert (await asyncio.wait_for(reader.readuntil(b"ab"), WAIT_S)).startswith(b"HTTP/1.1 200")
        writer.close()


async def test_one_connection_too_many_is_closed_and_the_others_are_served(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(connections, "MOST_HERE", 2)
    state = ServerState()
    async with serving(state) as port:
        held = [await asyncio.open_connection("127.0.0.1", port) for _ in range(2)]
        for _ in range(20):
            late, late_writer = await asyncio.open_connection("127.0.0.1", port)
            assert await closed(late) == b""
            late_writer.close()
            assert len(state.connections) == 2  # counting stays short, however many knock
        for reader, writer in held:
            writer.write(WHOLE)
            assert (await asyncio.wait_for(reader.readuntil(b"ab"), WAIT_S)).startswith(b"HTTP/1.1 200")
            writer.close()


def test_the_network_takes_no_connection_from_this_computer() -> None:
    def of(host: str, count: int) -> list[tuple[str, int] | None]:
        return [(host, port) for port in range(count)]

    tablet, here = ("192.0.2.7", 1), ("::1", 1)
    strangers = [each for host in range(20) for each in of(f"192.0.2.{host}", MOST_OF_NETWORK // 20)]
    assert not too_many(tablet, of("192.0.2.7", MOST_OF_ONE))
    assert too_many(tablet, of("192.0.2.7", MOST_OF_ONE + 1))
    assert too_many(tablet, [tablet, *strangers])
    assert not too_many(here, [here, *strangers])
    assert not too_many(tablet, [tablet, *of("127.0.0.1", MOST_HERE)])
    assert too_many(here, of("127.0.0.1", MOST_HERE + 1))


def test_nonsense_of_strangers_is_not_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    log = logging.getLogger("uvicorn.error")
    before = list(log.filters)
    try:
        keep_nonsense_out_of_the_log()
        for _ in range(3):
            log.warning("Invalid HTTP request received.")
            log.error("Invalid UTF-8 sequence received from client.")
        log.error("Exception in ASGI application")
    finally:
        log.filters[:] = before
    assert [record.msg for record in caplog.records] == ["Exception in ASGI application"]


class _Talkative:
    """A listener that talks without end."""

    said = 0

    async def receive(self) -> dict[str, str]:
        self.said += 1
        return {"type": "websocket.receive", "text": "x"}


async def test_a_listener_that_does_not_stop_talking_is_sent_away() -> None:
    socket = _Talkative()
    await asyncio.wait_for(_until_gone(socket), WAIT_S)  # type: ignore[arg-type]
    assert socket.said == MOST_SAID
