"""A clock that stands until told: every byte is received at exactly the time at which it was sent."""

from __future__ import annotations

import asyncio
import heapq
import itertools
import threading
from datetime import UTC, datetime, timedelta

from config.clock import NS_PER_S

START = datetime(2026, 1, 1, tzinfo=UTC)
LOOK_S = 0.002


class LockstepClock:
    """Sleepers of one event loop wake when the clock is moved past their time; threads look now and then."""

    def __init__(self) -> None:
        self._now_ns = 0
        self._moved = threading.Condition()
        self._sleepers: list[tuple[int, int, asyncio.Future[None]]] = []
        self._number = itertools.count()

    def monotonic_ns(self) -> int:
        return self._now_ns

    def utc(self) -> datetime:
        return START + timedelta(microseconds=self._now_ns / 1000)

    def stand_at(self, seconds: float) -> None:
        """Move on; called in the event loop."""
        with self._moved:
            self._now_ns = max(self._now_ns, round(seconds * NS_PER_S))
            self._moved.notify_all()
        while self._sleepers and self._sleepers[0][0] <= self._now_ns:
            future = heapq.heappop(self._sleepers)[2]
            if not future.done():
                future.set_result(None)

    async def sleep(self, seconds: float) -> None:
        future = asyncio.get_running_loop().create_future()
        due_ns = self._now_ns + round(seconds * NS_PER_S)
        if due_ns <= self._now_ns:
            await asyncio.sleep(0)
            return
        heapq.heappush(self._sleepers, (due_ns, next(self._number), future))
        await future

    def pause(self, seconds: float) -> None:
        """Returns when the clock moved, or soon: whoever paused looks at the time itself."""
        due_ns = self._now_ns + round(seconds * NS_PER_S)
        with self._moved:
            if self._now_ns < due_ns:
                self._moved.wait(LOOK_S)
