"""Listens on a link and keeps every chunk that arrives; asks a polled indicator again and again."""

from __future__ import annotations

import asyncio
from types import TracebackType
from typing import Self

from capture.links.base import Chunk, Link
from capture.reading import shown
from config.clock import Clock
from config.errors import LinkError

ASK_S = 0.05
MOST_CHUNKS = 100_000


class Ear:
    """An open link with all that came over it; use as an async context.

    Args:
        link: closed.
        clock: the station's clock.

    Raises:
        LinkError: it cannot be opened.
    """

    def __init__(self, link: Link, clock: Clock) -> None:
        self.link = link
        self.chunks: list[Chunk] = []
        self.query = b""
        self._clock = clock
        self._tasks: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Self:
        try:
            await self.link.open()
        except BaseException:
            await self.link.close()
            raise
        self._tasks = [asyncio.create_task(self._listen()), asyncio.create_task(self._ask())]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.wait(self._tasks)
        await self.link.close()

    async def _listen(self) -> None:
        async for chunk in self.link.chunks():
            if len(self.chunks) < MOST_CHUNKS:
                self.chunks.append(chunk)

    async def _ask(self) -> None:
        while True:
            await self._clock.sleep(ASK_S)
            if self.query:
                await self.link.write(self.query)

    async def wait(self, seconds: float) -> None:
        """Listen for so long.

        Raises:
            LinkError: the link was lost.
        """
        await self._clock.sleep(seconds)
        for task in self._tasks:
            if task.done() and not task.cancelled():
                task.result()  # a link that was lost says so itself
                raise LinkError("the link ended", where=self.link.where)

    @property
    def data(self) -> bytes:
        """All bytes so far."""
        return b"".join(chunk.data for chunk in self.chunks)

    def forget(self) -> None:
        """Begin anew."""
        self.chunks.clear()

    def examples(self, most: int = 3) -> tuple[str, ...]:
        """The first pieces that arrived, for people."""
        pieces = [piece for piece in self.data[:400].replace(b"\r", b"\n").split(b"\n") if piece]
        if all(byte in range(0x20, 0x7F) for piece in pieces for byte in piece):
            return tuple(shown(piece) for piece in pieces[1 : most + 1])
        return tuple(chunk.data[:24].hex(" ") for chunk in self.chunks[:most])
