"""The whole bench over Bluetooth, on both routes: the same readings, gaps told, back within two seconds."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from analysis.record import Store
from capture.bench import Bench
from capture.folder import DATABASE
from capture.messages import RunRequest
from config.clock import SystemClock
from config.indicators import BluetoothLink, Indicator, indicator_named, load_indicators
from simulators.gatt import Pacing, table_for
from simulators.hand import Turn
from simulators.playback import Playback
from simulators.recording import record
from tests.bluetooth_routes import IN_ONE_PROCESS, SYSTEM_SERVICE, Route, missing, route

ROUTES = (IN_ONE_PROCESS, SYSTEM_SERVICE)
SHIPPED = load_indicators()
WIRES = ("bench-bluetooth", "bench-bluetooth-frames", "bench-bluetooth-lines")
QUICK = Pacing(interval_s=0.0075)
AFTER_S = 1.2
"""The first line is believed to be whole after a second of silence."""


@pytest.fixture(params=ROUTES)
async def way(request: pytest.FixtureRequest) -> AsyncIterator[Route]:
    lacks = missing(request.param)
    if lacks:
        pytest.skip(lacks)
    async with route(request.param, SystemClock()) as made:
        yield made


async def until(true: Callable[[], object], seconds: float = 8.0) -> None:
    async with asyncio.timeout(seconds):
        while not true():
            await asyncio.sleep(0.005)


def by_address(name: str, number: int) -> Indicator:
    """A shipped description, found by the address of the peripheral of that number."""
    shipped = indicator_named(name, SHIPPED)
    link = BluetoothLink(kind="bluetooth", address=f"F0:0D:00:00:00:{number:02X}")
    return shipped.model_copy(update={"link": link})


def lengths_nm(folder: Path, run: str) -> list[int]:
    with Store.open(folder / DATABASE) as store:
        return [round(um * 1000) for um in store.trace(run).reading_um.tolist()]


async def test_the_same_run_comes_reading_for_reading_in_every_bluetooth_format(
    way: Route, tmp_path: Path
) -> None:
    """Number with 0x2904, frames and torn lines: three peripherals at once, one recording, equal traces."""
    indicators = [by_address(name, number) for number, name in enumerate(WIRES, 1)]
    recording = record("sound-hub", Turn(1.0, turn_s=3.0), 4, indicator=indicators[0])
    clock = SystemClock()
    plays = [Playback(recording, clock, speed=8.0, after_s=AFTER_S, held=True) for _ in indicators]
    for indicator, played in zip(indicators, plays, strict=True):
        assert isinstance(indicator.link, BluetoothLink)
        table = table_for([indicator], address=indicator.link.address or "")
        await way.put(table, played, QUICK, on_heard=played.begin)
    async with Bench(tmp_path, indicators, (), open_link=way.open_link) as bench:
        await until(lambda: all(state.port for state in bench.indicators()))
        runs = [
            (await bench.start_run(RunRequest(kind="trace", indicator=indicator.name))).run
            for indicator in indicators
        ]
        await until(lambda: all(played.ended for played in plays))
        await asyncio.sleep(0.1)
        for run in runs:
            await bench.stop_run(run)
    for run in runs:
        assert lengths_nm(tmp_path, run) == recording.length_nm.tolist()
