"""The whole bench over Bluetooth: the same readings, gaps told, back by itself whatever happened.

Both routes (`tests.bluetooth_routes`) work side by side in one event loop, to save waiting. The exact
times to notice and to recover are held on a clock that the test moves (`test_supervisor`) and printed by
`python -m tests.bench.bluetooth_faults`; here a busy machine is given some more.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from contextlib import AsyncExitStack
from itertools import pairwise
from pathlib import Path

import pytest

import capture.links.bluetooth
from capture.bench import Bench
from capture.finding import find_peripherals
from capture.messages import RunRequest
from config.clock import SystemClock
from config.errors import LinkError
from config.indicators import BluetoothLink
from simulators.gatt import Pacing, table_for
from simulators.hand import Turn
from simulators.playback import Playback
from simulators.recording import record
from tests.bench.bluetooth_drops import drops
from tests.bluetooth_faults import Counting, Watched, by_address, in_runs, kept, until
from tests.bluetooth_faults import missing as lost_of
from tests.bluetooth_routes import IN_ONE_PROCESS, SYSTEM_SERVICE, HurriedClock, Route, missing, route

WIRES = ("bench-bluetooth", "bench-bluetooth-frames", "bench-bluetooth-lines")
QUICK = Pacing(interval_s=0.0075)
AFTER_S = 1.2
"""The first line is believed to be whole after a second of silence."""
NOTICED_S, BACK_S = 15.0, 30.0
"""1 s and 2 s are the promise, and `tests.bench.bluetooth_faults` measures them; a test must not fail
because the machine is busy."""

Work = Callable[[Route, Path], Awaitable[None]]


async def on_each_route(
    work: Work, folder: Path, wanted: Sequence[str] = (IN_ONE_PROCESS, SYSTEM_SERVICE)
) -> None:
    """Do it on every wanted route that this computer has, side by side."""
    names = [name for name in wanted if missing(name) is None]
    if not names:
        pytest.skip(missing(wanted[0]) or "")
    async with AsyncExitStack() as ways, asyncio.TaskGroup() as group:
        for name in names:
            way = await ways.enter_async_context(route(name, SystemClock()))
            (folder / name).mkdir()
            group.create_task(_named(work(way, folder / name), name))  # type: ignore[arg-type]


async def _named(work: Awaitable[None], name: str) -> None:
    try:
        await work
    except AssertionError as error:
        error.add_note(f"on the route {name!r}")
        raise


async def test_the_same_run_comes_reading_for_reading_in_every_bluetooth_format(tmp_path: Path) -> None:
    """Number with 0x2904, frames and torn lines: three peripherals at once, one recording, equal traces."""
    recording = record("sound-hub", Turn(1.0, turn_s=3.0), 4, indicator=by_address(WIRES[0], 1))

    async def work(way: Route, folder: Path) -> None:
        clock = SystemClock()
        indicators = [by_address(name, number) for number, name in enumerate(WIRES, 1)]
        plays = [Playback(recording, clock, speed=8.0, after_s=AFTER_S, held=True) for _ in indicators]
        for indicator, played in zip(indicators, plays, strict=True):
            assert isinstance(indicator.link, BluetoothLink)
            table = table_for([indicator], address=indicator.link.address or "")
            await way.put(table, played, QUICK, on_heard=played.begin)
        async with Bench(folder, indicators, (), open_link=way.open_link) as bench:
            await until(lambda: all(state.port for state in bench.indicators()))
            runs = [
                (await bench.start_run(RunRequest(kind="trace", indicator=each.name))).run
                for each in indicators
            ]
            await until(lambda: all(played.ended for played in plays))
            await asyncio.sleep(0.1)
            for run in runs:
                await bench.stop_run(run)
        for run in runs:
            assert kept(folder, run)[0] == (recording.length_nm // 1000).tolist()

    await on_each_route(work, tmp_path)


def held_up(each: Watched, folder: Path, gaps: int) -> None:
    """The run went on over its gaps, told them, and kept every reading that was heard, once and in order."""
    numbers, told, _ = kept(folder, each.run)
    assert all(b > a for a, b in pairwise(numbers))
    assert lost_of(numbers) > 0
    codes = [event.code for event in told.events]
    assert codes.count("gap") >= gaps  # a machine that stands still for a moment sees a silence of its own
    assert each.gaps_shown == codes.count("gap")
    texts = [event.text for event in told.events if event.code == "gap"]
    assert all(text.startswith("no reading for ") for text in texts)
    assert told.summary.state == "done"


@pytest.mark.slow
async def test_whatever_happens_to_one_indicator_it_is_told_and_comes_back(tmp_path: Path) -> None:
    """At once: a lost link, one lost again in discovery, a forgotten device, one out of reach, one spared."""

    async def work(way: Route, folder: Path) -> None:
        indicators = [by_address("bench-bluetooth", number) for number in (1, 2, 3, 4, 5)]
        async with in_runs(way, folder, indicators) as watched:
            dropped, twice, forgotten, away, untouched = watched
            hurt_s = {each.indicator.name: each.source.now_s for each in watched}
            await way.drop(dropped.peripheral)
            await way.drop_in_next_discovery(twice.peripheral)
            await way.drop(twice.peripheral)
            await way.forget(forgotten.peripheral)
            await way.away(away.peripheral)
            await asyncio.sleep(0.7)
            await way.back(away.peripheral)
            hurt = (dropped, twice, forgotten, away)
            for each in hurt:
                await until(lambda each=each: each.first_after(hurt_s[each.indicator.name], "live"))
        for each in hurt:
            at_s = hurt_s[each.indicator.name]
            noticed_s, back_s = each.first_after(at_s, "stale", "lost"), each.first_after(at_s, "live")
            assert noticed_s is not None
            assert noticed_s < NOTICED_S
            assert back_s is not None
            assert back_s < BACK_S
            held_up(each, folder, gaps=1)
        numbers, told, _ = kept(folder, untouched.run)
        assert lost_of(numbers) == 0
        assert "lost" not in [event.code for event in told.events]

    await on_each_route(work, tmp_path)


@pytest.mark.slow
async def test_an_adapter_switched_off_and_a_crashed_service_are_told_and_overcome(tmp_path: Path) -> None:
    async def work(way: Route, folder: Path) -> None:
        hurried = HurriedClock(3)
        indicator = by_address("bench-bluetooth", 1)
        async with in_runs(way, folder, [indicator], QUICK, hurried) as (watched,):
            await way.power(False)
            await until(lambda: "Bluetooth is off" in (watched.states[-1][2] or ""))
            await way.power(True)
            await until(lambda: watched.live)
            await asyncio.sleep(0.1)
            await way.crash()
            await until(lambda: "service does not run" in (watched.states[-1][2] or ""))
            await way.restart()
            await until(lambda: watched.live)
        held_up(watched, folder, gaps=2)

    await on_each_route(work, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "count"), [(IN_ONE_PROCESS, 15), (SYSTEM_SERVICE, 40)])
async def test_drops_leave_no_descriptor_no_task_and_no_memory(name: str, count: int) -> None:
    """A thousand are `python -m tests.bench.bluetooth_drops`."""
    if lacks := missing(name):
        pytest.skip(lacks)
    clock = HurriedClock(10)
    async with route(name, clock) as way:
        before, after = await drops(way, count, clock)
    assert after.descriptors <= before.descriptors
    assert after.tasks <= before.tasks
    assert after.objects - before.objects < count * 20  # one connection of the simulation is over 300 objects


@pytest.mark.slow
async def test_the_result_of_a_run_says_that_the_link_was_lost(tmp_path: Path) -> None:
    """A hub is turned, the indicator goes out of reach for a moment: the run ends, measured, the gap told."""
    recording = record("sound-hub", Turn(1.6, turn_s=3.0), 4, indicator=by_address(WIRES[0], 1))

    async def work(way: Route, folder: Path) -> None:
        indicator = by_address(WIRES[0], 1)
        played = Playback(recording, SystemClock(), speed=2.5, held=True, after_s=0.3)
        table = table_for([indicator], address="F0:0D:00:00:00:01")
        peripheral = await way.put(table, played, QUICK, on_heard=played.begin)
        async with Bench(folder, [indicator], (), open_link=way.open_link) as bench:
            await until(lambda: bench.indicators()[0].port)
            run = (await bench.start_run(RunRequest(kind="runout"))).run
            await until(lambda: played.now_s > 1.2)
            await way.away(peripheral)
            await asyncio.sleep(0.5)
            await way.back(peripheral)
            await until(lambda: played.ended)
            await asyncio.sleep(0.1)
            if bench.active():
                await bench.stop_run(run)
        _, told, _ = kept(folder, run)
        (result,) = told.results
        reasons = {reason["code"]: reason["text"] for reason in result["reasons"]}
        assert " readings were rejected at capture (first after " in reasons["flagged_readings"]
        assert "clock_jump" not in reasons
        assert {"lost", "gap"} <= {event.code for event in told.events}

    await on_each_route(work, tmp_path, [SYSTEM_SERVICE])


async def test_two_indicators_may_speak_from_one_peripheral(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second is not seen in any scan: its peripheral is connected already. (A radio of its own only.)"""
    if lacks := missing(SYSTEM_SERVICE):
        pytest.skip(lacks)
    monkeypatch.setattr(capture.links.bluetooth, "SEEN_S", 0.3)
    indicators = [
        by_address(name, 1).model_copy(update={"name": name}) for name in ("bench-bluetooth", WIRES[1])
    ]
    async with route(SYSTEM_SERVICE, SystemClock()) as way:
        await way.put(table_for(indicators, address="F0:0D:00:00:00:01"), Counting(), QUICK)
        async with Bench(tmp_path, indicators, (), open_link=way.open_link) as bench:
            await until(lambda: all(state.state == "live" for state in bench.indicators()))


async def test_a_peripheral_that_falls_silent_in_discovery_is_not_waited_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The stack itself waits 30 s for each answer; the loss of the link is not told either."""
    if lacks := missing(IN_ONE_PROCESS):
        pytest.skip(lacks)
    monkeypatch.setattr(capture.links.bluetooth, "CONNECT_S", (0.3,))
    indicator = by_address("bench-bluetooth", 1)
    async with route(IN_ONE_PROCESS, SystemClock()) as way:
        peripheral = await way.put(table_for([indicator], address="F0:0D:00:00:00:01"), Counting(), QUICK)
        peripheral.drop_after_requests(3, lost_after_s=30.0)
        link = way.open_link(indicator, SystemClock())
        async with asyncio.timeout(30):
            with pytest.raises(LinkError, match="does not answer"):
                await link.open()
            await link.close()


async def test_who_is_in_reach_can_be_asked_while_the_bench_looks_for_an_indicator(tmp_path: Path) -> None:
    """The system refuses a second scan of one program: all share one."""

    async def work(way: Route, folder: Path) -> None:
        absent, other = by_address("bench-bluetooth", 9), by_address("bench-bluetooth", 2)
        await way.put(table_for([other], address="F0:0D:00:00:00:02"), Counting(), QUICK)
        async with Bench(folder, [absent], (), open_link=way.open_link):
            await asyncio.sleep(0.1)
            found = await find_peripherals([other], seconds=0.4, air=way.air)
        assert [(each.address, each.described_as) for each in found] == [("F0:0D:00:00:00:02", other.name)]

    await on_each_route(work, tmp_path)
