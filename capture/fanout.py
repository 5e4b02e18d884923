"""Hands messages to any number of listeners; a slow one loses its oldest messages and is told so."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator

from capture.messages import AnyMessage, Behind

MOST_WAITING = 256
"""Some five seconds of one indicator at the fastest pace of messages."""


class Subscription:
    """One listener's queue."""

    def __init__(self, most: int = MOST_WAITING) -> None:
        self._queue: deque[AnyMessage] = deque()
        self._most = most
        self._fresh = asyncio.Event()
        self._lost = 0
        self._ended = False

    def put(self, message: AnyMessage) -> None:
        """Add a message; the oldest goes when there is no room."""
        if len(self._queue) >= self._most:
            self._queue.popleft()
            self._lost += 1
        self._queue.append(message)
        self._fresh.set()

    def end(self) -> None:
        """No more messages will come; what waits is still handed out."""
        self._ended = True
        self._fresh.set()

    async def messages(self) -> AsyncIterator[AnyMessage]:
        """Messages as they come, until the end."""
        while True:
            while self._queue or self._lost:
                if self._lost:
                    lost, self._lost = self._lost, 0
                    yield Behind(lost=lost)
                else:
                    yield self._queue.popleft()
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
        for subscription in self._subscriptions:
            subscription.put(message)

    def close(self) -> None:
        """End every listener."""
        for subscription in self._subscriptions:
            subscription.end()
        self._subscriptions.clear()
