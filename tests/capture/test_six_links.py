"""One run, the same seed, over six ways to the station: six identical results.

The clock stands while a reading is on its way, so that each way has the same receipt times: what is left
to differ is what the wire formats, the links and the decoders do to the values, and that is nothing.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("bumble", reason="the extra 'simulator' is not installed")

from analysis.results import RunoutResult
from analysis.trace import Trace
from capture.bench import Bench
from capture.links import link_for
from capture.measuring import conclude, setup_for
from capture.messages import RunRequest
from config.indicators import Indicator, indicator_named, load_indicators
from config.limits import parse_limit
from simulators.bluetooth import Air
from simulators.gatt import Pacing, table_for
from simulators.hand import Turn
from simulators.playback import Playback
from simulators.recording import Recording, record
from simulators.serial_port import HAS_PTY, VirtualSerialPort
from tests.capture.lockstep import LockstepClock

RATE_HZ = 20.0
SEED = 20
PREAMBLE = 5
"""Readings before the run begins: on some ways the first of all may lack its beginning."""
SILENCE_S = 0.5
SHIPPED = {each.name: each for each in load_indicators()}
WAYS = {
    "serial lines": ("bench", "pty"),
    "polled serial": ("bench-polled", "pty"),
    "binary frames": ("bench-frames", "pty"),
    "socket": ("bench", "socket"),
    "Bluetooth with 0x2904": ("bench-bluetooth", "air"),
    "Bluetooth lines": ("bench-bluetooth-lines", "air"),
}
REQUEST = RunRequest(kind="runout", turns=2)
LIMIT = parse_limit("0.05 mm", "runout")


@pytest.fixture(scope="module")
def recording() -> Recording:
    described = SHIPPED["bench"].model_copy(update={"rate_hz": RATE_HZ})
    return record("bent-flange", Turn(2.3, "gentle", turn_s=3.0), SEED, indicator=described)


def described_at(name: str, url: str | None) -> Indicator:
    indicator = indicator_named(name, tuple(SHIPPED.values()))
    update: dict[str, Any] = {"rate_hz": RATE_HZ}
    if url is not None:
        update["link"] = indicator.link.model_copy(update={"port": url})
    if indicator.format.kind == "polled":
        update["format"] = indicator.format.model_copy(update={"pause_s": 0.001, "answer_within_s": 5.0})
    return indicator.model_copy(update=update)


async def measured(way: str, recording: Recording, data: Path) -> Trace:
    """The run as the station recorded it."""
    name, wire = WAYS[way]
    clock = LockstepClock()
    played = Playback(recording, clock, after_s=SILENCE_S, held=True)
    if wire == "air":
        async with Air(clock) as air:
            await air.put(table_for([described_at(name, None)]), played, Pacing(0.0075))
            return await run_on(described_at(name, None), played, recording, clock, data, air)
    with VirtualSerialPort(SHIPPED[name], played, clock, wire=wire, each_once=name == "bench-polled") as port:
        return await run_on(described_at(name, port.url), played, recording, clock, data, None)


async def run_on(
    indicator: Indicator, played: Playback, recording: Recording, clock: LockstepClock, data: Path, air: Any
) -> Trace:
    async with Bench(
        data, (indicator,), (), clock=clock, open_link=lambda each, at: link_for(each, at, air)
    ) as bench:
        await until(lambda: bench.indicators()[0].port)
        played.begin()
        # a microsecond later than it is due, lest rounding makes it not due yet
        start_s = clock.monotonic_ns() / 1e9 + SILENCE_S - float(recording.time_s[0]) + 1e-6
        for time_s in recording.time_s[:PREAMBLE].tolist():
            clock.stand_at(start_s + time_s)
            await asyncio.sleep(0.01)
        await until(lambda: bench.indicators()[0].state == "live")
        await asyncio.sleep(0.05)  # what is on its way has come …
        clock.stand_at(clock.monotonic_ns() / 1e9 + 0.001)  # … and is older than the run
        run = (await bench.start_run(RunRequest(kind="trace"))).run
        buffer = bench._runs[run].buffer
        for number, time_s in enumerate(recording.time_s[PREAMBLE:].tolist(), start=1):
            clock.stand_at(start_s + time_s)
            await until(lambda number=number: len(buffer) >= number)
        stopping = asyncio.create_task(bench.stop_run(run))
        while not stopping.done():
            clock.stand_at(clock.monotonic_ns() / 1e9 + 0.1)
            await asyncio.sleep(0.001)
        return bench.store.trace(run)


async def until(true: Any, within_s: float = 10.0) -> None:
    async with asyncio.timeout(within_s):
        while not true():
            await asyncio.sleep(0.0003)


@pytest.mark.slow
async def test_six_ways_give_six_identical_results(recording: Recording, tmp_path: Path) -> None:
    """Readings and times agree to the bit; the analysis, which is pure, is asked for first and last."""
    ways = [way for way, (_, wire) in WAYS.items() if wire != "pty" or HAS_PTY]
    traces = {way: await measured(way, recording, tmp_path / str(n)) for n, way in enumerate(ways)}
    first = traces[ways[0]]
    assert first.reading_um.tolist() == (recording.length_nm[PREAMBLE:] / 1000).tolist()
    for way, trace in traces.items():
        assert trace.reading_um.tolist() == first.reading_um.tolist(), way
        assert trace.time_s.tolist() == first.time_s.tolist(), way
        assert (trace.flag, trace.mark, trace.unit) == (None, None, "mm"), way
        assert trace.resolution_um == 1.0, way
    results = [result_of(way, traces[way]) for way in (ways[0], ways[-1])]
    assert results[0] == results[1]
    assert (results[0].verdict, results[0].turns.complete) == ("over", 2)
    assert len(ways) == (6 if HAS_PTY else 3)


def result_of(way: str, trace: Trace) -> RunoutResult:
    """As the station would conclude; the six descriptions differ in link and wire format only."""
    setup = setup_for(REQUEST, SHIPPED[WAYS[way][0]], None)
    assert setup == setup_for(REQUEST, SHIPPED["bench"], None)
    result, _ = conclude(REQUEST, trace, LIMIT, setup)
    assert isinstance(result, RunoutResult)
    return result
