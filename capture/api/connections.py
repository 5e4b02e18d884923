"""How many connections may be held at once, and for how long a request may take to arrive.

Whoever reaches the port can open a connection and then say nothing, or one letter a minute. Each costs a
descriptor of the process that also holds the indicators' ports and the record: without bounds a few
hundred silent sockets keep an unplugged indicator from coming back.
"""

from __future__ import annotations

import asyncio
import logging
from functools import lru_cache
from ipaddress import ip_address
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0
"""The first line and the headers of a request are here within this, or the connection is closed."""
BODY_S = 60.0
"""A photo of 12 MB over a poor radio link takes some twenty."""
LOOK_S = 2.0
MOST_OF_ONE = 32
"""Of one address of the network; a browser holds six and a live socket a page."""
MOST_OF_NETWORK = 160
MOST_HERE = 160
"""Of this computer: a stranger's page in its browser can open sockets to loopback too."""

NO_NEWS = ("Invalid HTTP request", "Invalid UTF-8 sequence", "Unsupported upgrade", "No supported WebSocket")
"""What the server says when somebody writes nonsense: whoever reaches the port could fill the log with it."""


def keep_nonsense_out_of_the_log() -> None:
    """Call once, before the server starts."""
    logging.getLogger("uvicorn.error").addFilter(_is_news)


def _is_news(record: logging.LogRecord) -> bool:
    return not str(record.msg).startswith(NO_NEWS)


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that closes what arrives too slowly, and does not take more connections than it should."""

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._stage: object = None
        self._since_s = 0.0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take it, unless its address, or the network, holds enough of them."""
        super().connection_made(transport)
        if too_many(self.client, [getattr(each, "client", None) for each in self.connections]):
            self.connections.discard(self)  # not held, so not counted: a flood must not make counting long
            transport.abort()
        else:
            self._since_s = self.loop.time()
            self.loop.call_later(LOOK_S, self._look)

    def on_response_complete(self) -> None:
        """What comes now is another request, with time of its own."""
        super().on_response_complete()
        self._stage, self._since_s = h11.IDLE, self.loop.time()

    def _look(self) -> None:
        if self.transport.is_closing() or self.transport.get_protocol() is not self:
            return  # over, or a live socket now
        stage, now_s = self.conn.their_state, self.loop.time()
        if stage is not self._stage and self._stage is not None:
            self._since_s = now_s
        self._stage = stage
        longest_s = {h11.IDLE: HEAD_S, h11.SEND_BODY: BODY_S}.get(stage)
        if longest_s is not None and now_s - self._since_s >= longest_s:
            self.transport.abort()
        else:
            self.loop.call_later(LOOK_S, self._look)


def too_many(client: tuple[str, int] | None, held: list[tuple[str, int] | None]) -> bool:
    """Whether one connection more of `client` is one too many; `held` are all, this one among them."""
    if client is None:
        return False
    if _is_loopback(client[0]):
        return sum(other is None or _is_loopback(other[0]) for other in held) > MOST_HERE
    network = [other[0] for other in held if other is not None and not _is_loopback(other[0])]
    return len(network) > MOST_OF_NETWORK or network.count(client[0]) > MOST_OF_ONE


@lru_cache(maxsize=1024)
def _is_loopback(host: str) -> bool:
    return ip_address(host.partition("%")[0]).is_loopback
