"""Hours of work: nothing lost, and memory, descriptors and latency as flat at the end as at the beginning.

    python -m tests.bench.soak [--minutes 30] [--pages 2] [--indicators 8]
    python -m tests.bench.soak --accelerated [--hours 24]

The first runs the daemon against eight indicators at 100 readings/s with two pages open, in real time,
and looks at it every few seconds. The second runs the bench itself on a clock of its own through a whole
day: eight indicators at 10 readings/s, a run of ten minutes after another on each, an indicator that is
unplugged every hour, a page that listens.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import heapq
import os
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.record import Store
from capture.bench import Bench
from capture.folder import DATABASE
from capture.messages import Behind, Readings, RunRequest
from config.clock import NS_PER_S
from tests.bench.eight_indicators import compared, daemon_lines, health_lines, latency_lines, page_lines
from tests.bench.load import Line, Pages, ProcessFigures, Speakers, figures_of, table, told, value_um
from tests.capture.daemon_process import DaemonProcess, indicators_file
from tests.capture.helpers import ManualClock, ScriptedLink, indicator, line, settle

LOOK_S = 10.0
WARM_SHARE = 0.1  # before this share of the time caches fill
MOST_GROWTH_MB_PER_H = 4.0
FLAT_LATENCY = 1.5  # the last quarter's p99 against the first one's


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--minutes", type=float, default=30.0)
    asked.add_argument("--pages", type=int, default=2)
    asked.add_argument("--indicators", type=int, default=8)
    asked.add_argument("--accelerated", action="store_true")
    asked.add_argument("--hours", type=float, default=24.0)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if given.accelerated:
            kept = asyncio.run(a_day(Path(folder), given.hours, given.indicators))
        else:
            kept = in_real_time(Path(folder), given.minutes * 60, given.pages, given.indicators)
    sys.exit(0 if kept else 1)


def growth_per_hour(times_s: list[float], values: list[float]) -> float:
    """Slope of a straight line through the values after the warm-up, per hour."""
    first = int(len(times_s) * WARM_SHARE)
    if len(times_s) - first < 3:
        return 0.0
    return float(np.polyfit(times_s[first:], values[first:], 1)[0]) * 3_600


# In real time ------------------------------------------------------------------------------------


def in_real_time(folder: Path, seconds: float, pages: int, indicators: int) -> bool:
    names = [f"indicator {number}" for number in range(1, indicators + 1)]
    seen: list[tuple[float, ProcessFigures]] = []
    with Speakers(names) as speakers:
        described = indicators_file(folder, speakers.ports)
        with DaemonProcess(folder / "data", described) as daemon, Pages(daemon.address, pages) as open_pages:
            daemon.wait_live(*names)
            runs = {name: daemon.ask("POST", "/runs", kind="trace", indicator=name)["run"] for name in names}
            time.sleep(1.0)
            before, began_s = figures_of(daemon.process.pid), time.monotonic()
            speakers.go()
            while (now_s := time.monotonic() - began_s) < seconds:
                seen.append((now_s, figures_of(daemon.process.pid)))
                time.sleep(min(LOOK_S, seconds / 20))
            after, took_s = figures_of(daemon.process.pid), time.monotonic() - began_s
            sent = speakers.sent()
            time.sleep(1.0)
            health, heard = daemon.ask("GET", "/health"), open_pages.heard()
            for run in runs.values():
                daemon.ask("POST", f"/runs/{run}/stop")
        lost, late_ns = compared(folder / "data" / DATABASE, runs, sent)
    times_s = [each for each, _ in seen]
    lines = [
        *daemon_lines(before, after, took_s, sum(map(len, sent.values()))),
        Line("readings lost or changed, on the disk", lost, "readings", at_most=0),
        *growth_lines(times_s, [figures for _, figures in seen]),
        *latency_lines("last byte to its time of arrival", late_ns),
        *page_lines(sent, heard),
        *flat_lines(sent, heard),
        *health_lines(health),
    ]
    return table(f"{indicators} indicators for {took_s / 60:.1f} minutes, {pages} pages open", lines)


def growth_lines(times_s: list[float], figures: list[ProcessFigures]) -> list[Line]:
    resident = growth_per_hour(times_s, [each.resident_mb for each in figures])
    first = int(len(figures) * WARM_SHARE)
    descriptors = max(each.descriptors for each in figures) - figures[first].descriptors
    threads = max(each.threads for each in figures) - figures[first].threads
    return [
        Line("resident memory grows by", resident, "MB/h", at_most=MOST_GROWTH_MB_PER_H),
        Line("resident memory at most", max(each.resident_mb for each in figures), "MB", at_most=120),
        Line("descriptors more than after the warm-up", descriptors, "", at_most=1),
        Line("threads more than after the warm-up", threads, "", at_most=1),
    ]


def flat_lines(sent: dict[str, NDArray[np.int64]], heard: list[dict[str, NDArray[np.int64]]]) -> list[Line]:
    """The p99 from byte to page in the last quarter as a ratio to that of the first."""
    first, last = [], []
    for page in heard:
        for name, times in sent.items():
            if page.get(name) is None or page[name].size != times.size:
                return []
            late, quarter = page[name] - times, times.size // 4
            first.append(late[:quarter])
            last.append(late[-quarter:])
    if not first:
        return []
    ratio = np.percentile(np.concatenate(last), 99) / np.percentile(np.concatenate(first), 99)
    return [Line("p99 to the page, last quarter to the first", float(ratio), "ratio", at_most=FLAT_LATENCY)]


# Accelerated -------------------------------------------------------------------------------------

CHUNKS_A_S = 2  # silence is told after 0.75 s
DAY_RATE_HZ = 10
RUN_S = 600
UNPLUGGED_S = 20
TURNS = 2


@dataclass
class Day:
    """What a day has seen so far."""

    links: dict[str, ScriptedLink] = field(default_factory=dict)
    sent: dict[str, int] = field(default_factory=dict)  # how many readings of each run, by its id
    heard: int = 0
    behind: int = 0
    resident_mb: list[float] = field(default_factory=list)
    descriptors: list[int] = field(default_factory=list)
    tasks: list[int] = field(default_factory=list)
    hours: list[float] = field(default_factory=list)

    def look(self, hour: float) -> None:
        gc.collect()
        now = figures_of(os.getpid())
        self.hours.append(hour * 3_600)
        self.resident_mb.append(now.resident_mb)
        self.descriptors.append(now.descriptors)
        self.tasks.append(len(asyncio.all_tasks()))


class DayClock(ManualClock):
    """Moves on in great strides: all who sleep are woken in order, with a few turns of the loop for each."""

    async def run_for(self, seconds: float) -> None:
        end = self._now_ns + round(seconds * NS_PER_S)
        while self._sleepers and self._sleepers[0][0] <= end:
            due, _, future = heapq.heappop(self._sleepers)
            self._now_ns = max(self._now_ns, due)
            if not future.done():
                future.set_result(None)
            await settle(TURNS)
        self._now_ns = end
        await settle()


async def a_day(folder: Path, hours: float, indicators: int) -> bool:
    clock, day = DayClock(), Day()
    described = tuple(indicator(name=f"indicator {number}") for number in range(1, indicators + 1))

    def opened(which: object, _: object) -> ScriptedLink:
        day.links[which.name] = ScriptedLink(clock)  # type: ignore[attr-defined]
        return day.links[which.name]  # type: ignore[attr-defined]

    began_s = time.process_time()
    async with Bench(folder, described, (), clock=clock, open_link=opened) as bench:  # type: ignore[arg-type]
        subscription = bench.fanout.subscribe()
        listening = asyncio.create_task(listen(subscription, day))
        await settle(100)  # all links are open before the clock moves
        await clock.run_for(1.0)
        for turn in range(int(hours * 3_600 / RUN_S)):
            await a_turn(bench, clock, day, turn)
            day.look((turn + 1) * RUN_S / 3_600)
        health = bench.health()
    await listening
    cpu_s = time.process_time() - began_s
    return table(
        f"{hours:g} hours of {indicators} indicators, accelerated", day_lines(folder, day, health, cpu_s)
    )


async def listen(subscription: object, day: Day) -> None:
    async for message in subscription.messages():  # type: ignore[attr-defined]
        if isinstance(message, Readings):
            day.heard += len(message.length_nm)
        elif isinstance(message, Behind):
            day.behind += message.lost


async def a_turn(bench: Bench, clock: ManualClock, day: Day, turn: int) -> None:
    """A run on every indicator, ten minutes long; in one turn of six an indicator is unplugged."""
    names = list(day.links)
    runs = {name: (await bench.start_run(RunRequest(kind="trace", indicator=name))).run for name in names}
    for run in runs.values():
        day.sent[run] = 0
    unplugged = names[turn // 6 % len(names)] if turn % 6 == 3 else None
    for second in range(RUN_S):
        away = unplugged is not None and RUN_S // 2 <= second < RUN_S // 2 + UNPLUGGED_S
        if away and second == RUN_S // 2:
            day.links[unplugged].drop()
        for _ in range(CHUNKS_A_S):
            for name in names:
                if name != unplugged or not away:
                    day.sent[runs[name]] = spoken(day.links[name], day.sent[runs[name]])
            await clock.run_for(1 / CHUNKS_A_S)
        while bench.health().readings_waiting > 20_000:
            await asyncio.sleep(0.002)  # the recorder's thread is of the real world
    for run in runs.values():
        stopping = asyncio.create_task(bench.stop_run(run))
        while not stopping.done():
            await clock.run_for(0.05)
            await asyncio.sleep(0.001)
        await stopping
    await clock.run_for(1.0)


def spoken(link: ScriptedLink, first: int) -> int:
    """Send the lines of a chunk, from reading number `first` of its run on; the number after the last."""
    after = first + DAY_RATE_HZ // CHUNKS_A_S
    link.send(b"".join(line(1_000 * value_um(seq)) for seq in range(first, after)))
    return after


def day_lines(folder: Path, day: Day, health: object, cpu_s: float) -> list[Line]:
    lost = gaps = 0
    with Store.open(folder / DATABASE) as store:
        for run, count in day.sent.items():
            sent = [1_000 * value_um(seq) for seq in range(count)]
            stored = np.rint(store.trace(run).reading_um * 1_000).astype(np.int64)
            gaps += sum(event.code == "gap" for event in store.run(run).events)
            if stored.size != len(sent):
                told(f"{run}: {len(sent)} sent, {stored.size} stored, {store.run(run).unread} unread")
            lost += abs(stored.size - len(sent)) or int(np.count_nonzero(stored != np.array(sent)))
        checked = store.verify()
    count = sum(day.sent.values())
    told(f"{count} readings in {len(day.sent)} runs, {gaps} gaps recorded, {cpu_s:.0f} s of process time")
    first = int(len(day.tasks) * WARM_SHARE)
    return [
        Line("readings lost or changed, on the disk", lost, "readings", at_most=0),
        Line("readings dropped by the recorder", health.readings_dropped, "readings", at_most=0),  # type: ignore[attr-defined]
        Line("differences the record finds in itself", len(checked.differences), "", at_most=0),
        Line("resident memory grows by", growth_per_hour(day.hours, day.resident_mb), "MB/h", at_most=0.5),
        Line(
            "descriptors more than after the warm-up",
            max(day.descriptors[first:]) - day.descriptors[first],
            "",
            at_most=0,
        ),
        Line("tasks more than after the warm-up", max(day.tasks[first:]) - day.tasks[first], "", at_most=0),
        Line("messages that the listener lost", day.behind, "", at_most=0),
        Line("process time for a reading", 1e6 * cpu_s / max(1, count), "us"),
    ]


if __name__ == "__main__":
    main()
