"""What every link offers, and the hand-over from a link's thread to the event loop."""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import AsyncIterator
from typing import NamedTuple, Protocol

from capture.links.rounds import rounds_of
from config.errors import LinkError


class Chunk(NamedTuple):
    """Bytes as they happened to arrive, and the monotonic clock taken at that moment."""

    data: bytes
    t_ns: int


class Link(Protocol):
    """One way to an indicator. Opened once; after an end or a close a new one is made."""

    @property
    def where(self) -> str:
        """The port or address, for messages."""
        ...

    async def open(self) -> None:
        """Open it.

        Raises:
            LinkError: it cannot be opened; says why and what to do.
        """
        ...

    @property
    def presentation(self) -> bytes:
        """What the opened link says about the form of its numbers (descriptor 0x2904); else empty."""
        ...

    @property
    def battery(self) -> int | None:
        """The indicator's battery in percent; None when the link has not been told."""
        ...

    def chunks(self) -> AsyncIterator[Chunk]:
        """The chunks that arrive, until the link is closed.

        Raises:
            LinkError: the link was lost.
        """
        ...

    async def write(self, data: bytes) -> None:
        """Send bytes to the indicator.

        Raises:
            LinkError: the link was lost.
        """
        ...

    async def close(self) -> None:
        """Close it; never fails, may be called twice."""
        ...


class Inbox:
    """Hands chunks from a thread or a callback to one async reader.

    The reader is woken once for any number of chunks. When it falls behind by `most_bytes` the
    giving thread waits, so that the bytes stay with the operating system and memory stays bounded.
    """

    def __init__(self, most_bytes: int = 1 << 20) -> None:
        self._rounds = rounds_of(asyncio.get_running_loop())
        self._chunks: deque[Chunk] = deque()
        self._fresh = asyncio.Event()
        self._room = threading.Condition()
        self._held = 0
        self._most = most_bytes
        self._ended = False
        self._error: LinkError | None = None

    def give(self, chunk: Chunk) -> None:
        """Hand over a chunk from a thread of the link; waits while the reader is far behind."""
        with self._room:
            while self._held >= self._most and not self._ended:
                self._room.wait()
        self.give_now(chunk)

    def give_now(self, chunk: Chunk) -> None:
        """Hand over a chunk without ever waiting, as a callback of the event loop must."""
        if self._held >= self._most:
            self.end(LinkError("sends faster than the station can take it"))
            return
        with self._room:
            self._held += len(chunk.data)
            first = not self._chunks
            self._chunks.append(chunk)
        if first:
            self._rounds.ring(self._fresh)

    def end(self, error: LinkError | None = None) -> None:
        """No more chunks: `error` is why, None when the link was closed on purpose. From any thread."""
        with self._room:
            if self._ended:
                return
            self._ended, self._error = True, error
            self._room.notify_all()
        self._rounds.ring(self._fresh)

    async def chunks(self) -> AsyncIterator[Chunk]:
        """Everything given, in order, until the end."""
        while True:
            await self._fresh.wait()
            self._fresh.clear()
            with self._room:
                taken, self._chunks = self._chunks, deque()
                self._held = 0
                ended = self._ended
                self._room.notify_all()
            for chunk in taken:
                yield chunk
            if ended:
                if self._error is not None:
                    raise self._error
                return
