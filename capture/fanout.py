"""Hands messages to any number of listeners; a slow one loses its oldest messages and is told so."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator

from capture.messages import AnyMessage, Behind, RunProgress

MOST_WAITING = 4_096
"""Some eight seconds of eight indicators at the fastest pace of messages."""


PATIENCE_S = 0.02
"""A frame costs more than the messages in it: how a run stands waits so long for readings to go along."""


class Told:
    """A message on its way to all listeners; its text is made once, and only when somebody needs it."""

    __slots__ = ("_text", "message")

    def __init__(self, message: AnyMessage) -> None:
        self.message = message
        self._text: str | None = None

    @property
    def text(self) -> str:
        """The message as JSON, without a line break."""
        if self._text is None:
            self._text = self.message.model_dump_json()
        return self._text


class Subscription:
    """One listener's queue."""

    def __init__(self, most: int = MOST_WAITING) -> None:
        self._queue: deque[Told] = deque()
        self._most = most
        self._fresh = asyncio.Event()
        self._lost = 0
        self._ended = False
        self._gathers = False
        self._timer: asyncio.TimerHandle | None = None

    def put(self, told: Told) -> None:
        """Add a message; the oldest goes when there is no room."""
        if len(self._queue) >= self._most:
            self._queue.popleft()
            self._lost += 1
        self._queue.append(told)
        if not self._gathers or not isinstance(told.message, RunProgress):
            self._fresh.set()
        elif self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(PATIENCE_S, self._fresh.set)

    def end(self) -> None:
        """No more messages will come; what waits is still handed out."""
        self._ended = True
        self._fresh.set()

    async def messages(self) -> AsyncIterator[AnyMessage]:
        """Messages one by one as they come, until the end."""
        async for all_told in self._waiting():
            for told in all_told:
                yield told.message

    async def frames(self) -> AsyncIterator[str]:
        """All that waits, as one text with a line of JSON a message, again and again until the end."""
        self._gathers = True
        async for all_told in self._waiting():
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            yield "\n".join([told.text for told in all_told])

    async def _waiting(self) -> AsyncIterator[list[Told]]:
        while True:
            while self._queue or self._lost:
                lost, self._lost = self._lost, 0
                told = [Told(Behind(lost=lost))] if lost else []
                told += self._queue
                self._queue.clear()
                yield told
            if self._ended:
                return
            self._fresh.clear()
            await self._fresh.wait()


class Fanout:
    """All listeners of the station. Used in the event loop only."""

    def __init__(self) -> None:
        self._subscriptions: set[Subscription] = set()

    def __len__(self) -> int:
        return len(self._subscriptions)

    def subscribe(self) -> Subscription:
        """A new listener."""
        subscription = Subscription()
        self._subscriptions.add(subscription)
        return subscription

    def unsubscribe(self, subscription: Subscription) -> None:
        """Forget a listener; it ends."""
        self._subscriptions.discard(subscription)
        subscription.end()

    def publish(self, message: AnyMessage) -> None:
        """Give `message` to every listener; returns at once."""
        told = Told(message)
        for subscription in self._subscriptions:
            subscription.put(told)

    def close(self) -> None:
        """End every listener."""
        for subscription in self._subscriptions:
            subscription.end()
        self._subscriptions.clear()
