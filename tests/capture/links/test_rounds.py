"""Readers are woken at once when alone, and together when there are many: chunks are never late or lost."""

from __future__ import annotations

import asyncio
import threading
import time

from capture.links.base import Chunk, Inbox
from capture.links.rounds import ROUND_S, Rounds, rounds_of


async def read(inbox: Inbox) -> list[bytes]:
    return [chunk.data async for chunk in inbox.chunks()]


async def test_many_givers_wake_the_loop_once_a_round_and_lose_nothing() -> None:
    loop = asyncio.get_running_loop()
    inboxes = [Inbox() for _ in range(8)]
    readers = [asyncio.create_task(read(inbox)) for inbox in inboxes]
    woken = 0
    before = loop.call_soon_threadsafe

    def count(*arguments: object) -> asyncio.Handle:
        nonlocal woken
        woken += 1
        return before(*arguments)  # type: ignore[arg-type]

    loop.call_soon_threadsafe = count  # type: ignore[method-assign, assignment]

    def give(inbox: Inbox) -> None:
        for number in range(100):
            inbox.give(Chunk(b"%d" % number, number))
            time.sleep(0.002)
        inbox.end()

    began_s = time.monotonic()
    threads = [threading.Thread(target=give, args=(inbox,)) for inbox in inboxes]
    for thread in threads:
        thread.start()
    heard = await asyncio.gather(*readers)
    took_s = time.monotonic() - began_s
    for thread in threads:
        thread.join()
    assert heard == [[b"%d" % number for number in range(100)]] * 8
    assert woken <= took_s / ROUND_S + 2 < 800


async def test_a_lone_chunk_is_there_at_once() -> None:
    inbox, heard = Inbox(), []

    async def listen() -> None:
        async for chunk in inbox.chunks():
            heard.append(chunk.data)

    listening = asyncio.create_task(listen())
    await asyncio.sleep(2 * ROUND_S)
    inbox.give(Chunk(b"a", 0))
    for _ in range(4):  # turns of the loop, far shorter than a round
        await asyncio.sleep(0)
    assert heard == [b"a"]
    inbox.end()
    await listening


async def test_all_readers_of_a_loop_share_its_rounds() -> None:
    loop = asyncio.get_running_loop()
    assert isinstance(rounds_of(loop), Rounds)
    assert rounds_of(loop) is rounds_of(loop)
