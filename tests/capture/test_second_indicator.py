"""Two indicators in one run-out: recorded each by itself, measured together."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import capture.measuring
import capture.run
from analysis.record import RunRef
from analysis.trace import Trace
from capture.bench import Bench
from capture.folder import DATABASE
from capture.messages import RunRequest
from config.errors import InputError
from config.indicators import Indicator
from tests.capture.helpers import ManualClock, ScriptedLink, indicator, line

ASKED = RunRequest(
    kind="runout", turns=50, indicator="face", second_indicator="foot", second="reference", wheel="front left"
)


class Two:
    """A bench with the indicators ``face`` (50 readings/s) and ``foot`` (25/s)."""

    def __init__(self, data: Path) -> None:
        self.clock = ManualClock()
        self.links: dict[str, ScriptedLink] = {}
        described = (indicator(name="face"), indicator(name="foot"))
        self.bench = Bench(data, described, (), clock=self.clock, open_link=self._open)

    def _open(self, described: Indicator, _: object) -> ScriptedLink:
        self.links[described.name] = ScriptedLink(self.clock)
        return self.links[described.name]

    async def send(self, count: int) -> None:
        for n in range(count):
            self.links["face"].send(line(1_000 * (n % 50)))
            if n % 2 == 0:
                self.links["foot"].send(line(-1_000 * (n % 50)))
            await self.clock.run_for(0.02)

    async def until(self, task: asyncio.Task[Any]) -> Any:
        async with asyncio.timeout(30):
            while not task.done():
                await asyncio.sleep(0.002)
                await self.clock.run_for(0.0)  # it stands: while a thread writes no indicator falls silent
        return task.result()


@pytest.fixture
def concluded(monkeypatch: pytest.MonkeyPatch) -> list[tuple[RunRequest, Trace]]:
    """What was given to the analysis."""
    given: list[tuple[RunRequest, Trace]] = []

    def conclude(request: RunRequest, trace: Trace, *_: object) -> tuple[None, None]:
        given.append((request, trace))
        return None, None

    monkeypatch.setattr(capture.measuring, "conclude", conclude)
    monkeypatch.setattr(capture.run, "look", lambda *_: (None, None))
    return given


async def test_both_are_recorded_and_stand_beside_each_other(
    tmp_path: Path, concluded: list[tuple[RunRequest, Trace]]
) -> None:
    two = Two(tmp_path)
    async with two.bench as bench:
        await two.clock.run_for(0.1)
        await two.send(5)
        begun = await two.until(asyncio.create_task(bench.start_run(ASKED)))
        assert {each.indicator for each in bench.active()} == {"face", "foot"}
        await two.send(100)
        await two.until(asyncio.create_task(bench.stop_run(begun.run)))
        assert bench.active() == ()
        record = bench.store.run(begun.run)
        other = bench.store.run(record.settings["second_run"])
        assert (other.summary.kind, other.summary.state, other.summary.wheel) == (
            "trace",
            "done",
            "front left",
        )
        trace = bench.store.trace(begun.run)
    (request, given) = concluded[-1]
    assert request.second == "reference"
    assert given.reading2_um is not None
    assert trace.reading2_um is not None
    there = np.isfinite(trace.reading2_um)
    assert there.sum() == 50
    assert np.array_equal(trace.reading2_um[there], -trace.reading_um[there])
    with closing(sqlite3.connect(tmp_path / DATABASE)) as opened:
        patterns = opened.execute("SELECT period_ns, missing, straightened FROM run_arrival").fetchall()
    assert sorted(round(period / 1e6) for period, _, _ in patterns) == [20, 40]
    assert {row[1:] for row in patterns} == {(0, 0)}


async def test_the_second_ends_when_the_first_is_interrupted(
    tmp_path: Path, concluded: list[tuple[RunRequest, Trace]]
) -> None:
    two = Two(tmp_path)
    async with two.bench as bench:
        await two.clock.run_for(0.1)
        await two.send(5)
        begun = await two.until(asyncio.create_task(bench.start_run(ASKED)))
        await two.send(10)
        bench._run_tasks[begun.run].cancel()
        for _ in range(200):
            await asyncio.sleep(0.002)
            await two.clock.run_for(0.1)
            if not bench.active():
                break
        assert bench.active() == ()
    assert concluded == [] or all(request.kind == "trace" for request, _ in concluded)


async def test_the_second_ends_when_who_asked_goes_before_the_first_begins(
    tmp_path: Path, concluded: list[tuple[RunRequest, Trace]], monkeypatch: pytest.MonkeyPatch
) -> None:
    two = Two(tmp_path)
    async with two.bench as bench:
        await two.clock.run_for(0.1)
        await two.send(5)
        begin, reached, go_on = bench.store.begin_run, threading.Event(), threading.Event()

        def slow(kind: Any, *given: Any, **named: Any) -> RunRef:
            if kind == "runout":
                reached.set()
                assert go_on.wait(30)
            return begin(kind, *given, **named)

        monkeypatch.setattr(bench.store, "begin_run", slow)
        asking = asyncio.create_task(bench.start_run(ASKED))
        await two.until(asyncio.create_task(asyncio.to_thread(reached.wait, 30)))
        assert [run.indicator for run in bench.active()] == ["foot"]
        asking.cancel()
        await asyncio.wait({asking})
        go_on.set()
        async with asyncio.timeout(30):
            while bench.active():
                await asyncio.sleep(0.002)
                await two.clock.run_for(0.1)
    assert concluded == [] or all(request.kind == "trace" for request, _ in concluded)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"second_indicator": "face"}, "cannot be the second one here"),
        ({"second_indicator": "nobody"}, "no indicator is named 'nobody'"),
        ({"second": None}, "needs its name and what it touches"),
        ({"kind": "endplay"}, "cannot be the second one here"),
    ],
)
async def test_what_cannot_be_the_second(tmp_path: Path, change: dict[str, object], words: str) -> None:
    two = Two(tmp_path)
    async with two.bench as bench:
        await two.clock.run_for(0.1)
        with pytest.raises(InputError, match=words):
            await bench.start_run(ASKED.model_copy(update=change))
        assert bench.active() == ()
