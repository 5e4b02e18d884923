"""Decoding and recording 200,000 serial readings, beside a plain logger and the raw ceiling, in one run.

    python -m tests.bench.recording [READINGS]

All three read the same 14-byte lines from a pseudo-terminal that is filled as fast as it empties:

- `plain logger`: what a workshop would write in twenty lines: readline, float, one INSERT and commit each;
- `hubproof`: the production link, decoder, bench and recorder, with a listener to the live readings;
- `raw ceiling`: chunks read with os.read, split, int, executemany in one transaction: no checks, no bench;
- `raw, same table`: the same into the record's own table, whose rows are in order of run and number.

CPU is that of the process that reads, in seconds from the first byte on; memory is its largest resident size.
"""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import os
import random
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

READINGS = 200_000
PLAIN_SHARE = 20  # the plain logger is given a part of the readings, or it would take minutes
STEPS = 400  # distinct values, as on a flange that moves by 0.4 mm


def lines(count: int) -> bytes:
    steps = random.Random(1)
    return b"".join(b"+%08.3fmm \r\n" % (steps.randrange(STEPS) / 1000) for _ in range(count))


@contextlib.contextmanager
def speaking(count: int) -> Iterator[tuple[str, int]]:
    """A pseudo-terminal on which a process of its own says `count` lines when told to through a pipe."""
    master, slave = os.openpty()
    import tty

    tty.setraw(slave)
    go_read, go_write = os.pipe()
    child = multiprocessing.get_context("fork").Process(target=_say, args=(master, go_read, count))
    child.start()
    try:
        yield os.ttyname(slave), go_write
    finally:
        child.kill()
        child.join()
        for descriptor in (master, slave, go_read, go_write):
            os.close(descriptor)


def _say(master: int, go: int, count: int) -> None:
    data = memoryview(lines(count))
    os.read(go, 1)
    while data:
        data = data[os.write(master, data) :]
    time.sleep(60)


def plain_logger(count: int, folder: Path) -> None:
    import serial

    with speaking(count) as (path, go):
        port = serial.Serial(path, 115_200, timeout=5)
        database = sqlite3.connect(folder / "plain.sqlite")
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("CREATE TABLE reading (t REAL, mm REAL)")
        os.write(go, b"x")
        started = Begun()
        for _ in range(count):
            text = port.readline()
            value = float(text[:9].decode())
            database.execute("INSERT INTO reading VALUES (?, ?)", (time.time(), value))
            database.commit()
        report("plain logger", count, started)


def raw_ceiling(count: int, folder: Path) -> None:
    database = sqlite3.connect(folder / "raw.sqlite", isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("CREATE TABLE reading (run INTEGER, seq INTEGER, t_ns INTEGER, nm INTEGER)")
    raw("raw ceiling", count, database, "INSERT INTO reading VALUES (?, ?, ?, ?)")


def raw_same_table(count: int, folder: Path) -> None:
    from analysis.record import Store
    from tests.analysis.record.conftest import begin

    with Store.open(folder / "same.sqlite") as store:
        assert begin(store).key == 1
    database = sqlite3.connect(folder / "same.sqlite", isolation_level=None)
    database.execute("PRAGMA foreign_keys = ON")
    insert = "INSERT INTO reading (run, seq, t_ns, length_nm) VALUES (?, ?, ?, ?)"
    raw("raw, same table", count, database, insert)


def raw(name: str, count: int, database: sqlite3.Connection, insert: str) -> None:
    with speaking(count) as (path, go):
        port = os.open(path, os.O_RDWR | os.O_NOCTTY)
        os.write(go, b"x")
        started, rest, seq = Begun(), b"", 0
        rows: list[tuple[int, int, int, int]] = []
        while seq < count:
            *whole, rest = (rest + os.read(port, 65_536)).split(b"\r\n")
            t_ns = time.monotonic_ns()
            rows += [
                (1, seq + i, t_ns, int(text[1:9].replace(b".", b"")) * 1_000) for i, text in enumerate(whole)
            ]
            seq += len(whole)
        database.execute("BEGIN")
        database.executemany(insert, rows)
        database.execute("COMMIT")
        report(name, count, started)
        os.close(port)
        database.close()


async def _hubproof(count: int, folder: Path) -> None:
    from capture.bench import Bench
    from capture.interpreter import settle_in
    from capture.messages import Readings, RunRequest
    from tests.capture.helpers import indicator

    with speaking(count) as (path, go):
        form = {"kind": "lines", "pattern": r"(?P<value>[+-] *\d+\.\d+)(?P<unit>mm|in)(?P<status>[ HLP])"}
        async with Bench(folder, (indicator(path, form),), ()) as bench:
            subscription, heard = bench.fanout.subscribe(), 0

            async def listen() -> None:
                nonlocal heard
                async for message in subscription.messages():
                    heard += isinstance(message, Readings)

            listening = asyncio.create_task(listen())
            while not bench.indicators()[0].port:
                await asyncio.sleep(0.01)
            settle_in()  # as the daemon does
            begun = await bench.start_run(RunRequest(kind="trace"))
            await asyncio.sleep(0.1)
            os.write(go, b"x")
            started = Begun()
            while bench.health().readings_stored < count:
                await asyncio.sleep(0.005)
            report("hubproof", count, started, f"{heard} live messages")
            assert bench.health().readings_dropped == 0
            await bench.stop_run(begun.run)
        await listening
    size = sum(path.stat().st_size for path in folder.glob("hubproof.sqlite*"))
    told(f"{'':14} {size / count:.1f} database bytes a reading")


def hubproof(count: int, folder: Path) -> None:
    asyncio.run(_hubproof(count, folder))


class Begun:
    """When a way began, by the clock and by process time."""

    def __init__(self) -> None:
        self.clock_s, self.process_s = time.perf_counter(), time.process_time()


def report(name: str, count: int, begun: Begun, more: str = "") -> None:
    seconds, cpu_s = time.perf_counter() - begun.clock_s, time.process_time() - begun.process_s
    resident_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    told(
        f"{name:16} {count / seconds:>10,.0f} readings/s  {count:>8,} in {seconds:6.2f} s"
        f"  process CPU {cpu_s:5.2f} s  {resident_mb:4.0f} MB  {more}"
    )


def told(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


WAYS = {"plain": plain_logger, "hubproof": hubproof, "raw": raw_ceiling, "same": raw_same_table}


def main() -> None:
    if len(sys.argv) > 2:
        with tempfile.TemporaryDirectory() as folder:
            WAYS[sys.argv[1]](int(sys.argv[2]), Path(folder))
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else READINGS
    rates = {}
    for way in WAYS:
        part = count // PLAIN_SHARE if way == "plain" else count
        done = subprocess.run(
            [sys.executable, "-m", "tests.bench.recording", way, str(part)],
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        )
        told(done.stdout.rstrip())
        rates[way] = _rate(done.stdout)
    told(f"hubproof is {rates['hubproof'] / rates['plain']:.0f} times the plain logger,")
    told(f"{rates['hubproof'] / rates['raw']:.2f} of the raw ceiling,")
    told(f"and {rates['hubproof'] / rates['same']:.2f} of it into the same table")


def _rate(output: str) -> float:
    return float(output.split(" readings/s")[0].split()[-1].replace(",", ""))


if __name__ == "__main__":
    main()
