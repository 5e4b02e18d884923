"""What goes wrong with a Bluetooth indicator in the middle of a run, and what the whole bench makes of it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from analysis.record import Store
from analysis.record.queries import RunRecord
from capture.bench import Bench
from capture.folder import DATABASE
from capture.messages import IndicatorState, RunProgress, RunRequest
from config.clock import NS_PER_S, Clock, SystemClock
from config.indicators import BluetoothLink, Indicator, indicator_named, load_indicators
from simulators.gatt import Pacing, table_for
from simulators.indicator import Readings
from tests.bluetooth_routes import Route

RATE_HZ = 50.0
PATIENCE_S = 15.0


class Counting:
    """An indicator that shows 0, 1, 2 … µm, one at each period: what is lost can be counted."""

    def __init__(self) -> None:
        self.clock = SystemClock()
        self.began_ns = self.clock.monotonic_ns()
        self._told = 0

    @property
    def now_s(self) -> float:
        return (self.clock.monotonic_ns() - self.began_ns) / NS_PER_S

    def next_s(self) -> float:
        return self._told / RATE_HZ

    def due(self) -> Readings:
        first, self._told = self._told, int(self.now_s * RATE_HZ) + 1
        numbers = np.arange(first, self._told)
        off = np.zeros(numbers.size)
        return Readings(numbers / RATE_HZ, numbers * 1_000, off.astype(bool), off.astype(np.int8))


def by_address(name: str, number: int) -> Indicator:
    """A shipped description, found by the address of the peripheral of that number."""
    shipped = indicator_named(name, load_indicators())
    link = BluetoothLink(kind="bluetooth", address=f"F0:0D:00:00:00:{number:02X}")
    return shipped.model_copy(update={"name": f"{name} {number}", "link": link})


async def until(true: Callable[[], object], seconds: float = PATIENCE_S) -> None:
    async with asyncio.timeout(seconds):
        while not true():
            await asyncio.sleep(0.005)


@dataclass(slots=True)
class Watched:
    """One indicator on the air, and how the bench saw it: each state, with the seconds when it was told."""

    indicator: Indicator
    source: Counting
    peripheral: Any
    run: str = ""
    states: list[tuple[float, str, str | None]] = field(default_factory=list)
    gaps_shown: int = 0

    @property
    def live(self) -> bool:
        return bool(self.states) and self.states[-1][1] == "live"

    def first_after(self, at_s: float, *names: str) -> float | None:
        """Seconds after `at_s` (of the source's clock) until one of these states was told."""
        return next((s - at_s for s, name, _ in self.states if s >= at_s and name in names), None)


@asynccontextmanager
async def in_runs(
    way: Route,
    folder: Path,
    indicators: Sequence[Indicator],
    pacing: Pacing | None = None,
    clock: Clock | None = None,
) -> AsyncIterator[list[Watched]]:
    """A bench by `clock` with a run on each indicator, all live; the runs are stopped at the end."""
    watched: list[Watched] = []
    for indicator in indicators:
        assert isinstance(indicator.link, BluetoothLink)
        table, source = table_for([indicator], address=indicator.link.address or ""), Counting()
        watched.append(Watched(indicator, source, await way.put(table, source, pacing)))
    by_name = {each.indicator.name: each for each in watched}
    async with Bench(folder, indicators, (), clock=clock, open_link=way.open_link) as bench:
        subscription = bench.fanout.subscribe()

        async def listen() -> None:
            async for message in subscription.messages():
                if isinstance(message, IndicatorState):
                    each = by_name[message.indicator]
                    each.states.append((each.source.now_s, message.state, message.why))
                elif isinstance(message, RunProgress):
                    by_name[message.indicator].gaps_shown = message.gaps

        listening = asyncio.create_task(listen())
        await until(lambda: all(each.live for each in watched))
        for each in watched:
            begun = await bench.start_run(RunRequest(kind="trace", indicator=each.indicator.name))
            each.run = begun.run
        await asyncio.sleep(0.3)
        yield watched
        await asyncio.sleep(0.2)
        for each in watched:
            await bench.stop_run(each.run)
    await listening


def kept(folder: Path, run: str) -> tuple[list[int], RunRecord, list[float]]:
    """The numbers that the record kept of a run, the record, and when each arrived (seconds of the run)."""
    with Store.open(folder / DATABASE) as store:
        trace, record = store.trace(run), store.run(run)
    return trace.reading_um.round().astype(int).tolist(), record, trace.time_s.tolist()


def missing(numbers: Sequence[int]) -> int:
    """How many numbers between the first and the last are not there."""
    return numbers[-1] - numbers[0] + 1 - len(set(numbers))


Deed = Callable[[Route, Any], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class Fault:
    """What goes wrong.

    Attributes:
        name: for the table.
        hurt: makes it go wrong.
        heal: ends it, after `lasts_s`; None when it is over at once.
        pacing: how the radio paces.
        told: whether the indicator must be shown as not live.
    """

    name: str
    hurt: Deed
    heal: Deed | None = None
    lasts_s: float = 0.0
    pacing: Pacing = field(default_factory=Pacing)
    told: bool = True


async def _nothing(way: Route, peripheral: Any) -> None:
    await asyncio.sleep(3.0)


async def _drop(way: Route, peripheral: Any) -> None:
    await way.drop(peripheral)


async def _mute(way: Route, peripheral: Any) -> None:
    peripheral.feeder.muted = True


async def _unmute(way: Route, peripheral: Any) -> None:
    peripheral.feeder.muted = False


async def _fade(way: Route, peripheral: Any) -> None:
    """Out of reach as a real radio tells it: silence first, the lost link after its supervision timeout."""
    peripheral.feeder.muted = True
    await asyncio.sleep(2.0)
    peripheral.feeder.muted = False
    await way.away(peripheral)


async def _away(way: Route, peripheral: Any) -> None:
    await way.away(peripheral)


async def _back(way: Route, peripheral: Any) -> None:
    await way.back(peripheral)


async def _drop_twice(way: Route, peripheral: Any) -> None:
    await way.drop_in_next_discovery(peripheral)
    await way.drop(peripheral)


async def _off(way: Route, peripheral: Any) -> None:
    await way.power(False)


async def _on(way: Route, peripheral: Any) -> None:
    await way.power(True)


async def _crash(way: Route, peripheral: Any) -> None:
    await way.crash()


async def _restart(way: Route, peripheral: Any) -> None:
    await way.restart()


async def _forget(way: Route, peripheral: Any) -> None:
    await way.forget(peripheral)


FAULTS = (
    Fault("connection interval 7.5 ms", _nothing, pacing=Pacing(0.0075), told=False),
    Fault("connection interval 50 ms", _nothing, pacing=Pacing(0.05), told=False),
    Fault("bursts: 60 % of events fail", _nothing, pacing=Pacing(0.03, lost=0.6, seed=3), told=False),
    Fault("link lost, back at once", _drop),
    Fault("out of reach for 4 s", _away, _back, 4.0),
    Fault("out of reach, told after 2 s", _fade, _back, 2.0),
    Fault("silent for 3 s, the link stays", _mute, _unmute, 3.0),
    Fault("drop, and again in discovery", _drop_twice),
    Fault("adapter off for 3 s", _off, _on, 3.0),
    Fault("service crash, back after 3 s", _crash, _restart, 3.0),
    Fault("device forgotten", _forget),
)


@dataclass(frozen=True, slots=True)
class Suffered:
    """What came of it. Seconds; `noticed_s` from the fault, `recovered_s` from its end.

    `lost` readings of those due in the run; `late_ms` the 50 % and 99 % points of due to recorded.
    """

    noticed_s: float | None
    recovered_s: float | None
    lost: int
    gaps: int
    late_ms: tuple[float, float]


async def suffer(fault: Fault, way: Route, folder: Path) -> Suffered:
    """One fault in the middle of a run."""
    indicator = by_address("bench-bluetooth", 1)
    async with in_runs(way, folder, [indicator], fault.pacing) as (watched,):
        hurt_s = watched.source.now_s
        await fault.hurt(way, watched.peripheral)
        if fault.heal is not None:
            await asyncio.sleep(fault.lasts_s)
            await fault.heal(way, watched.peripheral)
        over_s = watched.source.now_s if fault.heal is not None else hurt_s
        if fault.told:
            await until(lambda: watched.first_after(hurt_s, "stale", "lost") is not None)
            await until(lambda: watched.live)
            await asyncio.sleep(0.5)
    numbers, record, arrived_s = kept(folder, watched.run)
    late_ms = _late_ms(numbers, arrived_s)
    codes = [event.code for event in record.events]
    return Suffered(
        watched.first_after(hurt_s, "stale", "lost"),
        watched.first_after(over_s, "live"),
        missing(numbers),
        codes.count("gap"),
        late_ms,
    )


def _late_ms(numbers: Sequence[int], arrived_s: Sequence[float]) -> tuple[float, float]:
    """Against the reading that came soonest after it was due: the clocks' offset is not known."""
    late_s = np.asarray(arrived_s) - np.asarray(numbers) / RATE_HZ
    middle, worst = np.percentile((late_s - late_s.min()) * 1000.0, [50, 99])
    return float(middle), float(worst)
