"""What every link promises (`capture.links.base.Link`), asked of each of them alike."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from capture.links import LINKS, Chunk, Link
from config.clock import SystemClock
from config.errors import LinkError
from tests.capture.links.far_ends import FarEnd, far_end

pytest.importorskip("bumble", reason="the extra 'simulator' is not installed")

pytestmark = [  # of the serial library
    pytest.mark.filterwarnings("ignore:setDaemon:DeprecationWarning"),
    pytest.mark.filterwarnings("ignore:setName:DeprecationWarning"),
]

KINDS = ["port", "socket", "rfc2217", "bluetooth"]
CLOCK = SystemClock()


each_kind = pytest.mark.parametrize("kind", KINDS)


@asynccontextmanager
async def opposite(kind: str) -> AsyncIterator[FarEnd]:
    """A far end, and the link to it closed at the end."""
    async with far_end(kind, CLOCK) as end:
        try:
            yield end
        finally:
            await end.link.close()


async def arrived(link: Link, size: int) -> list[Chunk]:
    chunks: list[Chunk] = []
    async with asyncio.timeout(30):
        async for chunk in link.chunks():
            chunks.append(chunk)
            if sum(len(each.data) for each in chunks) >= size:
                break
    return chunks


def test_every_registered_kind_is_asked() -> None:
    assert set(LINKS) == {"serial", "bluetooth"}  # a port, and what pyserial opens by URL, are "serial"


@each_kind
async def test_bytes_arrive_whole_in_order_and_with_their_time(kind: str) -> None:
    async with opposite(kind) as far:
        assert far.link.where
        await far.link.open()
        before_ns = CLOCK.monotonic_ns()
        sent = bytes(range(32, 127)) * 8 + b"\xff\x00\xff\xff"  # 0xFF is what RFC 2217 has to double
        far.send(sent)
        chunks = await arrived(far.link, len(sent))
        assert b"".join(chunk.data for chunk in chunks) == sent
        times = [before_ns, *(chunk.t_ns for chunk in chunks), CLOCK.monotonic_ns()]
        assert times == sorted(times)
        assert isinstance(far.link.presentation, bytes)


@each_kind
async def test_what_is_written_is_heard(kind: str) -> None:
    async with opposite(kind) as far:
        await far.link.open()
        far.send(b" ")
        await arrived(far.link, 1)
        await far.link.write(b"MEAS?\n")
        assert (await far.heard()).strip(b" ") == b"MEAS?\n"


@each_kind
async def test_a_close_ends_whoever_reads_without_an_error(kind: str) -> None:
    async with opposite(kind) as far:
        await far.link.open()
        reading = asyncio.create_task(arrived(far.link, 1))
        await asyncio.sleep(0.05)
        await far.link.close()
        assert await reading == []
        await far.link.close()


@each_kind
async def test_a_close_before_anything_was_opened_is_none(kind: str) -> None:
    async with opposite(kind) as far:
        await far.link.close()


@each_kind
async def test_an_end_that_goes_is_told_in_one_line_and_closed_all_the_same(kind: str) -> None:
    async with opposite(kind) as far:
        await far.link.open()
        far.send(b"abc")
        await arrived(far.link, 3)
        reading = asyncio.create_task(arrived(far.link, 1))
        await asyncio.sleep(0.02)
        await far.leave()
        async with asyncio.timeout(30):
            with pytest.raises(LinkError) as told:
                await reading
        line = told.value.line()
        assert "\n" not in line
        assert told.value.do
        await far.link.close()


@each_kind
async def test_nobody_there_is_told_and_can_be_closed(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    async with opposite(kind) as far:
        monkeypatch.setattr("capture.links.bluetooth.SCAN_S", 0.2)
        monkeypatch.setattr("capture.links.bluetooth.SEEN_S", 0.2)
        await far.leave()
        with pytest.raises(LinkError) as told:
            await far.link.open()
        assert told.value.where
        await far.link.close()
