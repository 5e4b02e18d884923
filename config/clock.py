"""The one clock. Nothing else in the house reads the time; tests and simulations bring their own."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

NS_PER_S = 1_000_000_000


class Clock(Protocol):
    """Time as the station sees it."""

    def monotonic_ns(self) -> int:
        """Nanoseconds of a clock that never steps; only differences mean anything."""
        ...

    def utc(self) -> datetime:
        """The time of day, UTC; may step when the system's clock is set."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait in the event loop for `seconds` of this clock."""
        ...

    def pause(self, seconds: float) -> None:
        """Block the calling thread for `seconds` of this clock."""
        ...


class SystemClock:
    """The machine's clock."""

    def monotonic_ns(self) -> int:
        """See `Clock`."""
        return time.monotonic_ns()

    def utc(self) -> datetime:
        """See `Clock`."""
        return datetime.now(UTC)

    async def sleep(self, seconds: float) -> None:
        """See `Clock`."""
        await asyncio.sleep(seconds)

    def pause(self, seconds: float) -> None:
        """See `Clock`."""
        time.sleep(seconds)


class SteppedClock:
    """A clock that moves only when told, or when somebody sleeps on it: simulations as fast as possible.

    Args:
        start_utc: the time of day at monotonic zero.
    """

    def __init__(self, start_utc: datetime = datetime(2026, 1, 1, tzinfo=UTC)) -> None:
        self._start_utc = start_utc
        self._now_ns = 0

    def monotonic_ns(self) -> int:
        """See `Clock`."""
        return self._now_ns

    def utc(self) -> datetime:
        """See `Clock`."""
        return self._start_utc + timedelta(microseconds=self._now_ns / 1000)

    def advance(self, seconds: float) -> None:
        """Move the clock on by `seconds` (never back)."""
        if seconds < 0:
            raise ValueError(f"a monotonic clock cannot go back by {seconds} s")
        self._now_ns += round(seconds * NS_PER_S)

    async def sleep(self, seconds: float) -> None:
        """Move on at once, after giving other tasks a turn."""
        self.advance(seconds)
        await asyncio.sleep(0)

    def pause(self, seconds: float) -> None:
        """Move on at once."""
        self.advance(seconds)
