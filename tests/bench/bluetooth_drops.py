"""A thousand lost links, and what they leave behind: descriptors, tasks, memory; on both Bluetooth routes.

    python -m tests.bench.bluetooth_drops [DROPS]

A supervised indicator (the production supervisor, link and decoder) is live, loses its link, and is live
again, so many times. After the first tenth, which fills what is filled once, and at the end the process
counts its open descriptors, its tasks, what the garbage collector tracks and its resident memory. With
the stand-in of the system's service, whose message bus allows 256 connections, one descriptor left by
each drop would end Bluetooth for good.
"""

from __future__ import annotations

import asyncio
import gc
import logging
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from capture.messages import IndicatorState
from capture.reading import Fault, Reading
from capture.supervisor import Supervisor
from config.clock import Clock, SystemClock
from simulators.gatt import Pacing, table_for
from tests.bluetooth_faults import Counting, by_address, until
from tests.bluetooth_routes import IN_ONE_PROCESS, SYSTEM_SERVICE, Route, missing, route


class Heard:
    """A listener that keeps nothing but how the indicator stands."""

    def __init__(self) -> None:
        self.state = "connecting"
        self.readings = 0

    def on_readings(self, indicator: str, readings: list[Reading]) -> None:
        self.readings += len(readings)

    def on_faults(self, indicator: str, faults: list[Fault]) -> None:
        return

    def on_state(self, state: IndicatorState) -> None:
        self.state = state.state

    def on_event(self, indicator: str, t_ns: int, code: str, text: str) -> None:
        return


@dataclass(frozen=True, slots=True)
class Left:
    """What the process holds: open descriptors, tasks, tracked objects, resident memory in KiB."""

    descriptors: int
    tasks: int
    objects: int
    memory_kib: int


def left() -> Left:
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1]) if Path("/proc/self/statm").exists() else 0
    descriptors = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").is_dir() else 0
    return Left(descriptors, len(asyncio.all_tasks()), len(gc.get_objects()), pages * 4)


async def drops(way: Route, count: int, clock: Clock | None = None) -> tuple[Left, Left]:
    """What is held after the first tenth and after `count` more drops, the indicator live both times."""
    indicator, heard = by_address("bench-bluetooth", 1), Heard()
    table = table_for([indicator], address="F0:0D:00:00:00:01")
    peripheral = await way.put(table, Counting(), Pacing(0.0075))
    supervisor = Supervisor(indicator, clock or SystemClock(), heard, way.open_link, jitter=lambda: 0.0)
    task = asyncio.create_task(supervisor.run())
    try:
        await until(lambda: heard.state == "live")
        for _ in range(max(3, count // 10)):
            await _once(way, peripheral, heard)
        before = left()
        for _ in range(count):
            await _once(way, peripheral, heard)
        return before, left()
    finally:
        task.cancel()
        await asyncio.wait([task])


async def _once(way: Route, peripheral: Any, heard: Heard) -> None:
    await way.drop(peripheral)
    await until(lambda: heard.state == "lost")
    await until(lambda: heard.state == "live")


async def _both(count: int, name: str) -> tuple[Left, Left]:
    async with route(name, SystemClock()) as way:
        return await drops(way, count)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000
    logging.disable(logging.ERROR)
    print(f"{'route':<16}{'drops':>7}{'descriptors':>22}{'tasks':>14}{'objects':>20}{'memory MiB':>18}")
    for name in (IN_ONE_PROCESS, SYSTEM_SERVICE):
        if lacks := missing(name):
            print(f"{name:<16} left out, {lacks}")
            continue
        before, after = asyncio.run(_both(count, name))
        print(
            f"{name:<16}{count:>7}{before.descriptors:>14} -> {after.descriptors:>4}"
            f"{before.tasks:>7} -> {after.tasks:>3}{before.objects:>9} -> {after.objects:>7}"
            f"{before.memory_kib / 1024:>8.1f} -> {after.memory_kib / 1024:.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
