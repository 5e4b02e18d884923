"""The recorder: in order, soon, and nothing silently dropped whatever the disk does."""

from __future__ import annotations

import asyncio
import gc
import threading
import time
from collections.abc import Callable

import pytest

import capture.recorder
from capture.recorder import BATCH_S, Recorder, Row
from config.clock import SystemClock
from config.errors import StoreError


class FakeStore:
    """Keeps rows in memory; refuses while told so."""

    def __init__(self) -> None:
        self.rows: dict[int, list[Row]] = {}
        self.calls: list[str] = []
        self.transactions = 0
        self.refusing: str | None = None
        self.refused = threading.Event()
        self.refuse_key: int | None = None

    def _check(self, key: int | None = None) -> None:
        if self.refusing and self.refuse_key in (None, key):
            self.refused.set()
            raise StoreError(self.refusing, where="fake")

    def append_many(self, rows_of: dict[int, list[Row]]) -> None:
        for key in rows_of:
            self._check(key)
        for key, some in rows_of.items():
            self.rows.setdefault(key, []).extend(some)
        self.transactions += 1

    def add_event(self, key: int, t_ns: int, code: str, text: str) -> None:
        self._check(key)
        self.calls.append(f"{code}: {text}")


def rows(first: int, count: int) -> list[Row]:
    return [(seq, seq, seq, None, None) for seq in range(first, first + count)]


def start(store: FakeStore, on_trouble: Callable[[str | None], object] = lambda text: None) -> Recorder:
    return Recorder(store, SystemClock(), on_trouble)  # type: ignore[arg-type]


def wait_until(true: Callable[[], bool], seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.005)


async def test_rows_of_several_runs_keep_their_order() -> None:
    store = FakeStore()
    recorder = start(store)
    for first in range(0, 1000, 10):
        recorder.append(1, rows(first, 10))
        recorder.append(2, rows(first, 5))
    assert await recorder.close() == 0
    assert store.rows[1] == rows(0, 1000)
    assert len(store.rows[2]) == 500
    assert store.transactions < 50  # readings of both runs share one
    assert recorder.state.stored == 1500


async def test_a_single_reading_is_stored_within_the_promise() -> None:
    store = FakeStore()
    recorder = start(store)
    recorder.append(1, rows(0, 1))
    wait_until(lambda: 1 in store.rows)  # without another to push it
    assert BATCH_S <= 0.25 / 2  # how long it lies; what a busy machine adds is measured by the bench
    await recorder.close()


async def test_a_call_comes_after_what_was_handed_over_before_it() -> None:
    store = FakeStore()
    recorder = start(store)
    recorder.append(1, rows(0, 3))
    seen: list[int] = []
    await recorder.then(lambda _: seen.append(len(store.rows[1])))
    recorder.append(1, rows(3, 3))
    await recorder.close()
    assert seen == [3]
    assert store.rows[1] == rows(0, 6)


async def test_while_the_disk_refuses_everything_waits_and_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture.recorder, "RETRY_S", 0.02)
    store, told = FakeStore(), []
    recorder = start(store, told.append)
    store.refusing = "the disk is full"
    recorder.append(1, rows(0, 5))
    assert store.refused.wait(30)
    recorder.append(1, rows(5, 5))
    wait_until(lambda: recorder.state.failing is not None)
    assert recorder.state.waiting == 10
    store.refusing = None
    wait_until(lambda: len(store.rows.get(1, [])) == 10)
    wait_until(lambda: recorder.state.failing is None)
    assert await recorder.close() == 0
    assert store.rows[1] == rows(0, 10)
    assert told == ["fake: the disk is full", None]


async def test_a_refusal_for_one_run_does_not_write_another_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture.recorder, "RETRY_S", 0.02)
    store = FakeStore()
    store.refusing, store.refuse_key = "the disk is full", 2
    recorder = start(store)
    recorder.append(1, rows(0, 5))
    recorder.append(2, rows(0, 5))
    assert store.refused.wait(30)
    store.refusing = None
    await recorder.close()
    assert store.rows == {1: rows(0, 5), 2: rows(0, 5)}


async def test_what_no_memory_is_left_for_is_counted_and_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture.recorder, "RETRY_S", 0.02)
    monkeypatch.setattr(capture.recorder, "MOST_WAITING", 10)
    store = FakeStore()
    store.refusing = "the disk is full"
    recorder = start(store)
    recorder.append(1, rows(0, 8))
    recorder.append(1, rows(8, 7))
    assert recorder.state.dropped == 7
    store.refusing = None
    wait_until(lambda: bool(store.calls))
    assert await recorder.close() == 0
    assert store.rows[1] == rows(0, 8)
    assert store.calls == ["not_stored: 7 readings were not kept: the disk refused for too long"]


async def test_what_nobody_waits_for_leaves_no_unretrieved_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture.recorder, "RETRY_S", 0.01)
    said: list[dict[str, object]] = []
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda loop, context: said.append(context))
    store = FakeStore()
    recorder = start(store)
    store.refusing = "the disk is full"
    recorder.then(lambda store: store.add_event(1, 0, "gap", "3 s"))
    waited_for = recorder.then(lambda store: store.add_event(1, 0, "lost", "unplugged"))
    await recorder.close()
    with pytest.raises(StoreError, match="the disk is full"):
        await waited_for
    del waited_for
    gc.collect()
    assert said == []


async def test_closing_while_the_disk_refuses_says_how_many_are_lost() -> None:
    store = FakeStore()
    recorder = start(store)
    store.refusing = "the disk is full"
    recorder.append(1, rows(0, 4))
    call = recorder.then(lambda _: None)
    assert await recorder.close() == 4
    with pytest.raises(StoreError, match="the disk is full"):
        await call


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
async def test_a_recorder_that_breaks_says_so() -> None:
    store, told = FakeStore(), []
    recorder = start(store, told.append)
    recorder.then(lambda _: 1 // 0)
    wait_until(lambda: bool(told))
    assert "ended unexpectedly" in told[0]
    recorder._thread.join()
