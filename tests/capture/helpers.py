"""A clock that moves when a test says so, and links that play what a test wrote."""

from __future__ import annotations

import asyncio
import heapq
import itertools
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime, timedelta

from capture.links.base import Chunk
from capture.messages import IndicatorState
from capture.reading import Fault, Reading
from config.clock import NS_PER_S
from config.errors import LinkError
from config.indicators import Indicator

START = datetime(2026, 1, 1, tzinfo=UTC)


class ManualClock:
    """Sleepers wake in order of time while `run_for` moves the clock; threads do not wait at all."""

    def __init__(self) -> None:
        self._now_ns = 0
        self.ahead = timedelta(0)  # of the time of day, where a test sets it
        self._sleepers: list[tuple[int, int, asyncio.Future[None]]] = []
        self._number = itertools.count()

    def monotonic_ns(self) -> int:
        return self._now_ns

    def utc(self) -> datetime:
        return START + timedelta(microseconds=self._now_ns / 1000) + self.ahead

    async def sleep(self, seconds: float) -> None:
        future = asyncio.get_running_loop().create_future()
        due = self._now_ns + round(seconds * NS_PER_S)
        heapq.heappush(self._sleepers, (due, next(self._number), future))
        await future

    def pause(self, seconds: float) -> None:
        return

    def stand_still(self, seconds: float) -> None:
        """Time passes and nobody wakes: as for a process that the system has stopped."""
        self._now_ns += round(seconds * NS_PER_S)

    async def run_for(self, seconds: float) -> None:
        """Move on by `seconds`, waking each sleeper at its time."""
        end = self._now_ns + round(seconds * NS_PER_S)
        await settle()
        while self._sleepers and self._sleepers[0][0] <= end:
            due, _, future = heapq.heappop(self._sleepers)
            self._now_ns = max(self._now_ns, due)
            if not future.done():
                future.set_result(None)
            await settle()
        self._now_ns = end
        await settle()


async def settle(times: int = 12) -> None:
    """Let every task that can go on do so."""
    for _ in range(times):
        await asyncio.sleep(0)


class ScriptedLink:
    """A link of which the test is the far end."""

    presentation = b""
    battery: int | None = None
    where = "scripted"

    def __init__(self, clock: ManualClock, refuse: LinkError | None = None) -> None:
        self._clock = clock
        self._refuse = refuse
        self._queue: asyncio.Queue[Chunk | LinkError] = asyncio.Queue()
        self.written: list[bytes] = []
        self.opened = self.closed = False
        self.answer: Callable[[bytes], bytes | None] | None = None

    async def open(self) -> None:
        if self._refuse is not None:
            raise self._refuse
        self.opened = True

    def send(self, data: bytes) -> None:
        self._queue.put_nowait(Chunk(data, self._clock.monotonic_ns()))

    def drop(self, why: str = "unplugged") -> None:
        self._queue.put_nowait(LinkError(why, where=self.where))

    async def chunks(self) -> AsyncIterator[Chunk]:
        while True:
            item = await self._queue.get()
            if isinstance(item, LinkError):
                raise item
            yield item

    async def write(self, data: bytes) -> None:
        self.written.append(data)
        if self.answer is not None and (answer := self.answer(data)) is not None:
            self.send(answer)

    async def close(self) -> None:
        self.closed = True


class Heard:
    """A listener that keeps all it hears."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.faults: list[Fault] = []
        self.states: list[IndicatorState] = []
        self.events: list[tuple[int, str, str]] = []

    def on_readings(self, indicator: str, readings: list[Reading]) -> None:
        self.readings += readings

    def on_faults(self, indicator: str, faults: list[Fault]) -> None:
        self.faults += faults

    def on_state(self, state: IndicatorState) -> None:
        self.states.append(state)

    def on_event(self, indicator: str, t_ns: int, code: str, text: str) -> None:
        self.events.append((t_ns, code, text))


LINES = {
    "kind": "lines",
    "pattern": r"(?P<value>[+-] *\d+\.\d+)(?P<unit>mm|in)(?P<status>[ H])",
    "terminator": "\r\n",
    "status_bad": {"H": "hold is on"},
}


def indicator(port: str = "/dev/none", form: dict[str, object] | None = None, **more: object) -> Indicator:
    """A described indicator of 0.001 mm at `port`."""
    return Indicator.model_validate(
        {
            "name": "tested",
            "resolution": "0.001 mm",
            "permissible_error": "0.003 mm",
            "range": "12.7 mm",
            "link": {"kind": "serial", "port": port, "baud": 115200},
            "format": form or LINES,
            **more,
        }
    )


def line(length_nm: int, unit: str = "mm", status: str = " ") -> bytes:
    """A line as the tested indicator sends it; whole steps only."""
    if unit == "in":
        counts, digits = length_nm / 254, 5
    else:
        counts, digits = length_nm / 1000, 3
    assert counts == int(counts)
    magnitude = abs(int(counts))
    whole, part = divmod(magnitude, 10**digits)
    return f"{'-' if counts < 0 else '+'}{whole:4d}.{part:0{digits}d}{unit}{status}\r\n".encode()
