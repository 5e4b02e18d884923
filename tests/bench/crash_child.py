"""What is killed by `tests.bench.crash`: the station at its work, telling a journal what it has done.

    python -m tests.bench.crash_child WORK FOLDER [NUMBER]

A line of the journal is written before or after the thing it speaks of, as each says; the journal itself
survives the kill because the system holds what was written.
"""

from __future__ import annotations

import asyncio
import os
import random
import signal
import sys
import time
from collections.abc import AsyncIterator
from pathlib import Path

from capture.links.base import Chunk
from config.clock import SystemClock
from config.indicators import Indicator
from tests.bench.load import line

JOURNAL = "journal"
PERIOD_S = 0.002
LONGEST_RUN_S = 0.4


class Journal:
    def __init__(self, folder: Path) -> None:
        self._file = os.open(folder / JOURNAL, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def tell(self, *words: object) -> None:
        os.write(self._file, (" ".join(map(str, words)) + "\n").encode())


class FedLink:
    """A link that sends a line every 2 ms; the journal has the number of each before it is handed over."""

    presentation = b""
    where = "fed"
    battery = None

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self.seq: int | None = None

    async def open(self) -> None: ...

    async def chunks(self) -> AsyncIterator[Chunk]:
        while True:
            await asyncio.sleep(PERIOD_S)
            if self.seq is None:
                continue
            t_ns = time.monotonic_ns()
            self._journal.tell("sent", self.seq, t_ns)
            self.seq += 1
            yield Chunk(line(self.seq - 1), t_ns)

    async def write(self, data: bytes) -> None: ...

    async def close(self) -> None: ...


async def capturing(folder: Path, journal: Journal, seed: int) -> None:
    from capture.bench import Bench
    from capture.messages import RunRequest
    from tests.capture.helpers import indicator

    dice, link = random.Random(seed), FedLink(journal)

    def opened(_: Indicator, __: object) -> FedLink:
        return link

    form = {"kind": "lines", "pattern": r"(?P<value>[+-] *\d+\.\d+)(?P<unit>mm|in) "}
    async with Bench(folder, (indicator(form=form),), (), clock=SystemClock(), open_link=opened) as bench:
        await asyncio.sleep(0.1)
        telling = asyncio.create_task(tell_stored(bench, journal))
        while not telling.done():
            begun = await bench.start_run(RunRequest(kind="trace"))
            journal.tell("begun", begun.run)
            link.seq = 0
            await asyncio.sleep(dice.uniform(0.05, LONGEST_RUN_S))
            link.seq = None
            await asyncio.sleep(2 * PERIOD_S)
            await bench.stop_run(begun.run)
            journal.tell("ended", begun.run)


async def tell_stored(bench: object, journal: Journal) -> None:
    told = 0
    while True:
        await asyncio.sleep(0.01)
        stored = bench.health().readings_stored  # type: ignore[attr-defined]
        if stored != told:
            told = stored
            journal.tell("stored", told)


def analysing(folder: Path, journal: Journal) -> None:
    """Judge the record's run again and again; the journal has each result after it was kept."""
    from analysis.record import Store
    from analysis.values import Setup
    from capture.folder import DATABASE
    from capture.measuring import conclude
    from capture.messages import RunRequest

    with Store.open(folder / DATABASE) as store:
        (run,) = store.runs(kind="runout")
        key = store.run(run.id).key
        journal.tell("ready")
        while True:
            trace = store.trace(run.id)
            result, profiles = conclude(RunRequest(kind="runout"), trace, None, Setup())
            assert result is not None
            journal.tell("kept", store.save_result(key, result, profiles))  # type: ignore[arg-type]


def migrating(folder: Path, journal: Journal, statement: int) -> None:
    """Open an older record; die as statement number `statement` of the upgrade is about to be done."""
    from analysis.record import Store, database
    from capture.folder import DATABASE

    connect, done = database.connect, 0

    def count(_: str) -> None:
        nonlocal done
        done += 1
        if done == statement:
            os.kill(os.getpid(), signal.SIGKILL)

    def traced(path: Path) -> object:
        connection = connect(path)
        connection.set_trace_callback(count)
        return connection

    database.connect = traced  # type: ignore[assignment]
    import analysis.record.store as store_module

    store_module.connect = traced  # type: ignore[assignment]
    Store.open(folder / DATABASE).close()
    journal.tell("statements", done)


def packing(folder: Path, journal: Journal) -> None:
    """Write the claim pack of the record's runs again and again; the journal has each when it is there."""
    from capture.commands import run

    with open(os.devnull, "w") as nowhere:
        sys.stdout = nowhere
        journal.tell("ready")
        for number in range(1_000):
            out = folder / f"pack{number}.zip"
            assert run(["claim", "--run", "last", "--data", str(folder), "--out", str(out)]) == 0
            journal.tell("packed", out.name)


def main() -> None:
    work, folder = sys.argv[1], Path(sys.argv[2])
    number = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    journal = Journal(folder)
    if work == "capturing":
        asyncio.run(capturing(folder, journal, number))
    elif work == "migrating":
        migrating(folder, journal, number)
    else:
        {"analysing": analysing, "packing": packing}[work](folder, journal)


if __name__ == "__main__":
    main()
