"""Writes readings to the record from one thread, in batches that are at most 100 ms old."""

from __future__ import annotations

import asyncio
import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from analysis.record import EndState, Store
from capture.spread import Spread, SpreadState
from config.clock import Clock
from config.errors import StoreError

log = logging.getLogger(__name__)

BATCH_S = 0.1  # 250 ms is the promise; the rest is for a slow disk
FULL_BATCH = 50_000
MOST_WAITING = 400_000  # readings kept while the disk refuses: over 8 minutes of 8 indicators at 100/s
RETRY_S = 0.5
NOT_STORED = "not_stored"

Row = tuple[int, int, int | None, str | None, str | None]
Call = Callable[[Store], object]


class _Append(NamedTuple):
    key: int
    rows: list[Row]


class _Do(NamedTuple):
    call: Call
    done: Callable[[StoreError | None], object]


@dataclass(frozen=True, slots=True)
class RecorderState:
    """Figures of the recorder.

    Attributes:
        waiting: readings in memory that are not on the disk yet.
        stored: readings on the disk.
        dropped: readings that no memory was left for.
        slowest_write_ns: the longest transaction.
        failing: why nothing can be stored just now, None when all is well.
        handed_over: from the arrival of a reading's last byte to its hand-over to the recorder.
        on_disk: from there to the disk: of the oldest reading of each transaction.
        writes: how long each transaction took.
    """

    waiting: int
    stored: int
    dropped: int
    slowest_write_ns: int
    failing: str | None
    handed_over: SpreadState
    on_disk: SpreadState
    writes: SpreadState


class Recorder:
    """The only writer of readings.

    What cannot be written is kept and tried again until it is, so order is kept and nothing is
    lost while memory lasts; what does not fit is counted and told in the record as soon as possible.

    Args:
        store: the open record.
        clock: the station's clock.
        on_trouble: called from the writing thread with a line when writing begins to fail, and with
            None when it works again.
    """

    def __init__(
        self, store: Store, clock: Clock, on_trouble: Callable[[str | None], object] = lambda text: None
    ) -> None:
        self._store = store
        self._clock = clock
        self._on_trouble = on_trouble
        self._changed = threading.Condition()
        self._items: deque[_Append | _Do] = deque()
        self._waiting = self._stored = self._slowest_ns = 0
        self._handed_over, self._on_disk, self._writes = Spread(), Spread(), Spread()
        self._dropped: dict[int, int] = {}
        self._dropped_ever = 0
        self._failing: str | None = None
        self._hurry = self._closing = False
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    @property
    def state(self) -> RecorderState:
        """Figures as of now."""
        with self._changed:
            return RecorderState(
                self._waiting,
                self._stored,
                self._dropped_ever,
                self._slowest_ns,
                self._failing,
                self._handed_over.state,
                self._on_disk.state,
                self._writes.state,
            )

    @property
    def is_alive(self) -> bool:
        """Whether the writing thread is at work."""
        return self._thread.is_alive()

    def append(self, key: int, rows: list[Row]) -> None:
        """Hand over readings of a run; returns at once. From any thread."""
        late_ns = self._clock.monotonic_ns() - rows[0][1]
        with self._changed:
            self._handed_over.add(late_ns, len(rows))
            if self._waiting + len(rows) > MOST_WAITING:
                self._dropped[key] = self._dropped.get(key, 0) + len(rows)
                self._dropped_ever += len(rows)
                return
            self._waiting += len(rows)
            first = not self._items
            self._items.append(_Append(key, rows))
            full = self._waiting >= FULL_BATCH and not self._hurry
            self._hurry = self._hurry or full
            if first or full:
                self._changed.notify()

    def then(self, call: Call) -> asyncio.Future[None]:
        """Do `call` with the store after everything handed over before; the future is done when it was.

        It fails with `StoreError` only when the recorder is closed while the disk still refuses; that is
        logged once for all, so nobody need wait for the future.
        """
        loop = asyncio.get_running_loop()
        future: asyncio.Future[None] = loop.create_future()
        future.add_done_callback(_hear)

        def resolve(error: StoreError | None) -> None:
            if future.done():
                return
            if error is None:
                future.set_result(None)
            else:
                future.set_exception(error)

        with self._changed:
            self._items.append(_Do(call, lambda error: loop.call_soon_threadsafe(resolve, error)))
            self._hurry = True
            self._changed.notify()
        return future

    def end_run(self, key: int, state: EndState, t_ns: int) -> asyncio.Future[None]:
        """End a run after all that was handed over; nothing may be handed over for it afterwards."""

        def end(store: Store) -> None:
            self._tell_dropped(key)
            store.end_run(key, state, t_ns)

        return self.then(end)

    async def close(self) -> int:
        """Write what is left and end.

        Returns:
            Readings that could not be written: 0 unless the disk refuses to the last.
        """
        with self._changed:
            self._closing = self._hurry = True
            self._changed.notify()
        await asyncio.to_thread(self._thread.join)
        return self._waiting + sum(self._dropped.values())

    # The thread ----------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._loop()
        finally:
            if not self._closing:
                self._failing = "the recorder ended unexpectedly; start the station again"
                self._on_trouble(self._failing)

    def _loop(self) -> None:
        while True:
            with self._changed:
                while not self._items and not self._closing:
                    self._changed.wait()
                if not self._hurry:
                    self._changed.wait_for(lambda: self._hurry, timeout=BATCH_S)
                self._hurry = self._closing
                items, self._items = self._items, deque()
                closing = self._closing
            left = self._write_all(items)
            if not left and closing:
                return
            if left:
                with self._changed:
                    self._items.extendleft(reversed(left))
                if closing:
                    self._give_up()
                    return
                self._clock.pause(RETRY_S)

    def _write_all(self, items: deque[_Append | _Do]) -> list[_Append | _Do]:
        """Write in order, the readings of all runs in one transaction; what was refused comes back.

        One transaction costs one sync of the disk: with eight indicators it was the sync that cost.
        """
        while items:
            rows: dict[int, list[Row]] = {}
            while items and isinstance(item := items[0], _Append):
                rows.setdefault(item.key, []).extend(item.rows)
                items.popleft()
            try:
                if rows:
                    self._write_readings(rows)
                    rows = {}
                if items and isinstance(do := items[0], _Do):
                    do.call(self._store)
                    do.done(None)
                    items.popleft()
                self._recover()
            except StoreError as error:
                self._fail(error)
                return [*(_Append(key, some) for key, some in rows.items()), *items]
        return []

    def _write_readings(self, rows: dict[int, list[Row]]) -> None:
        began_ns = self._clock.monotonic_ns()
        self._store.append_many(rows)
        now_ns = self._clock.monotonic_ns()
        count = sum(map(len, rows.values()))
        oldest_ns = min(some[0][1] for some in rows.values())
        with self._changed:
            self._waiting -= count
            self._stored += count
            self._slowest_ns = max(self._slowest_ns, now_ns - began_ns)
            self._writes.add(now_ns - began_ns)
            self._on_disk.add(now_ns - oldest_ns)
        for key in rows:
            self._tell_dropped(key)

    def _tell_dropped(self, key: int) -> None:
        with self._changed:
            dropped = self._dropped.get(key, 0)
        if dropped:
            text = f"{dropped} readings were not kept: the disk refused for too long"
            self._store.add_event(key, self._clock.monotonic_ns(), NOT_STORED, text)
            with self._changed:
                self._dropped[key] -= dropped

    def _give_up(self) -> None:
        log.critical("%d readings could not be stored: %s", self._waiting, self._failing)
        for item in self._items:
            if isinstance(item, _Do):
                item.done(StoreError(self._failing or "the disk refused"))

    def _fail(self, error: StoreError) -> None:
        if self._failing != error.line():
            log.error("not recording: %s", error.line())
            self._failing = error.line()
            self._on_trouble(error.line())

    def _recover(self) -> None:
        if self._failing is None:
            return
        log.warning("recording again")
        self._failing = None
        self._on_trouble(None)


def _hear(done: asyncio.Future[None]) -> None:
    """Take a failure as heard, so that the loop reports none as never retrieved."""
    if not done.cancelled():
        done.exception()
