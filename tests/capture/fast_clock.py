"""The system's clock, some times faster: everything that shares it hurries alike."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime


class FastClock:
    def __init__(self, times: float) -> None:
        self._times = times
        self._start_ns = time.monotonic_ns()

    def monotonic_ns(self) -> int:
        return round((time.monotonic_ns() - self._start_ns) * self._times)

    def utc(self) -> datetime:
        return datetime.now(UTC)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self._times)

    def pause(self, seconds: float) -> None:
        time.sleep(seconds / self._times)
