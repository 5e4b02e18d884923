"""The whole budget in one table: what the station costs, beside what it may cost.

    python -m tests.bench.budget [PART ...] [--seconds 60] [--runs 60000]

Rates stand beside the plain logger and the raw ceiling (a read loop and one bulk insert of the same bytes,
no checks), analysis beside numpy's FFT of the same length, all in this one run. Where another program
may hold the machine meanwhile, process time is compared and not the time of the clock.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from websockets.sync.client import ClientConnection, connect

from analysis.measure import measure_runout
from analysis.record import Store
from analysis.record.jobs import Jobs
from analysis.trace import Trace
from capture.folder import DATABASE
from config.indicators import indicator_named, load_indicators
from simulators.hand import Turn
from simulators.recording import Marks, record
from simulators.serial_port import PtyWire
from tests.bench.eight_indicators import measured as eight_indicators
from tests.bench.load import Line, cpu_s_of, figures_of, table, told
from tests.bench.many_jobs import RUNS_EACH, fill
from tests.capture.daemon_process import COMMAND, DaemonProcess, environment, indicators_file
from tests.recordings import trace_of

IDLE_S = 10.0
READINGS = 100_000
TRIES = 5


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seconds", type=float, default=60.0, help="of the eight indicators")
    asked.add_argument("--runs", type=int, default=60_000, help="in the record that is listed")
    asked.add_argument(
        "parts", nargs="*", help="start-up throughput analysis verdict lists eight; all of them"
    )
    given = asked.parse_args()
    lines: list[Line] = []
    parts: dict[str, Callable[[Path], list[Line]]] = {
        "start-up": start_up,
        "throughput": throughput,
        "analysis": analysis_time,
        "verdict": verdict_time,
        "lists": lambda folder: list_times(folder, given.runs),
        "eight": lambda folder: eight_indicators(folder, given.seconds, 2, 8),
    }
    for name in given.parts or parts:
        with tempfile.TemporaryDirectory() as folder:
            lines += parts[name](Path(folder))
        told(f"{name} is done; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    sys.exit(0 if table("Budget", lines) else 1)


# Start-up and rest -------------------------------------------------------------------------------


def start_up(folder: Path) -> list[Line]:
    """Help, a daemon that gets ready, and what it costs while nothing happens."""

    def help_s() -> float:
        began = time.perf_counter()
        subprocess.run([*COMMAND, "--help"], stdout=subprocess.DEVNULL, env=environment(), check=True)
        return time.perf_counter() - began

    bare = min(_timed(lambda: subprocess.run([sys.executable, "-c", ""], check=True)) for _ in range(TRIES))
    bare_cpu = min(_children_cpu_s([sys.executable, "-c", ""]) for _ in range(TRIES))
    help_line = Line("hubproof --help", min(help_s() for _ in range(TRIES)), "s", at_most=0.25)
    wire = PtyWire()
    wire.plug()
    ready, ready_cpu, idle = [], [], []
    for number in range(3):
        described = indicators_file(folder, {"bench": wire.url})
        with DaemonProcess(folder / f"data{number}", described) as daemon:
            ready.append(daemon.ready_s)
            ready_cpu.append(cpu_s_of(daemon.process.pid))
            daemon.wait_live("bench")
            time.sleep(1.0)
            if number == 0:
                before, began = cpu_s_of(daemon.process.pid), time.monotonic()
                time.sleep(IDLE_S)
                spent = cpu_s_of(daemon.process.pid) - before
                idle = [100 * spent / (time.monotonic() - began), figures_of(daemon.process.pid).resident_mb]
    wire.close()
    return [
        Line("a bare interpreter, to compare", bare, "s"),
        help_line,
        Line("the same to the bare interpreter", help_line.figure / bare, "ratio"),
        Line("daemon ready", min(ready), "s", at_most=1.0),
        Line("the same, process time", min(ready_cpu), "s", at_most=1.0),
        Line("the same to a bare interpreter's process time", min(ready_cpu) / bare_cpu, "ratio"),
        Line("idle CPU, one indicator connected", idle[0], "% of a core", at_most=2.0),
        Line("idle resident memory", idle[1], "MB", at_most=120),
    ]


def _children_cpu_s(command: list[str]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _timed(call: Callable[[], object]) -> float:
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


# Throughput --------------------------------------------------------------------------------------


def throughput(_: Path) -> list[Line]:
    """The ways of `tests.bench.recording`, each in a process of its own."""
    rates: dict[str, dict[str, float]] = {}
    for way, share in (("plain", 20), ("hubproof", 1), ("raw", 1), ("same", 1)):
        found = [_way(way, READINGS // share) for _ in range(3)]
        rates[way] = {name: max(each[name] for each in found) for name in found[0]}
    ours = rates["hubproof"]
    lines = [Line("capture, live fan-out on", ours["a second"], "readings/s")]
    for way, name, least in (
        ("same", "raw ceiling into the same table", 0.5),
        ("raw", "raw ceiling into a bare table", 0.5),
        ("plain", "plain logger", 1.0),
    ):
        for how in ("a CPU second", "a second"):
            by = "process time" if how == "a CPU second" else "the clock"
            target = least if how == "a CPU second" else None
            lines.append(
                Line(f"capture to {name}, by {by}", ours[how] / rates[way][how], "ratio", at_least=target)
            )
    return lines


def _way(way: str, count: int) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.recording", way, str(count)],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    ).stdout
    rate = float(done.split(" readings/s")[0].split()[-1].replace(",", ""))
    cpu_s = float(done.split("process CPU")[1].split()[0])
    return {"a second": rate, "a CPU second": count / cpu_s}


# Analysis ----------------------------------------------------------------------------------------


def marked_trace(turns: float) -> Trace:
    """A simulated hub, turned by hand, every passing of the mark seen."""
    recording = record(
        "sound-hub",
        Turn(turns=turns, manner="gentle", turn_s=4.0),
        1,
        indicator=indicator_named("bench", load_indicators()),
        marks=Marks(missed=0.0, doubled=0.0),
    )
    return trace_of(recording)


def analysis_time(_: Path) -> list[Line]:
    """Marked traces of two lengths: against an FFT, and against each other (cost linear in readings)."""
    spent: dict[int, float] = {}
    ratio = 0.0
    for turns in (3.2, 12.0):
        trace = marked_trace(turns)
        measure_runout(trace)
        spent[len(trace)] = _cpu_s(lambda trace=trace: measure_runout(trace), 3)  # type: ignore[misc]
        fft_s = _cpu_s(lambda trace=trace: np.fft.rfft(trace.reading_um), 2_000)  # type: ignore[misc]
        ratio = spent[len(trace)] / fft_s
    (short, short_s), (long, long_s) = spent.items()
    return [
        Line(f"analysis of {short} marked readings", 1e3 * short_s, "ms"),
        Line(f"analysis of {long} marked readings", 1e3 * long_s, "ms"),
        Line("the same to numpy's FFT of that length", ratio, "ratio", at_most=10),
        Line("cost for a reading, long to short", (long_s / long) / (short_s / short), "ratio", at_most=1.5),
    ]


def _cpu_s(call: Callable[[], object], times: int) -> float:
    began = time.process_time()
    for _ in range(times):
        call()
    return (time.process_time() - began) / times


def verdict_time(folder: Path) -> list[Line]:
    """From the end of a run to its result on the live socket, with the machine's cores free and taken."""
    lines = []
    for turns in (2.4, 8.0):
        trace = ordinary_trace(turns)
        measure_runout(trace)
        own_s = _cpu_s(lambda trace=trace: measure_runout(trace), 3)  # type: ignore[misc]
        for busy in (0, 2):
            with busy_loops(busy):
                took_s = statistics.median(verdicts_s(folder / f"{len(trace)} {busy}", trace))
            name = f"end of {len(trace)} readings to the verdict, {busy} busy loops"
            lines += [
                Line(name, 1e3 * took_s, "ms", at_most=300),
                Line("the same to the analysis alone, by process time", took_s / own_s, "ratio"),
            ]
    return lines


def ordinary_trace(turns: float) -> Trace:
    """A simulated hub, turned by hand as usual, no mark."""
    recording = record(
        "sound-hub",
        Turn(turns=turns, manner="ordinary", turn_s=4.0),
        1,
        indicator=indicator_named("bench", load_indicators()),
    )
    return trace_of(recording)


@contextlib.contextmanager
def busy_loops(count: int) -> Iterator[None]:
    """So many programs that want a core each."""
    loops = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for each in loops:
            each.kill()
            each.wait()


def verdicts_s(folder: Path, trace: Trace) -> list[float]:
    """How long the verdict took on each of three indicators that show `trace` in real time at once."""
    folder.mkdir()
    wires = {f"bench {number}": PtyWire() for number in range(3)}
    for wire in wires.values():
        wire.plug()
    described = indicators_file(folder, {name: wire.url for name, wire in wires.items()})
    texts = [b"%+09.3fmm \r\n" % (um / 1_000) for um in trace.reading_um]
    with DaemonProcess(folder / "data", described) as daemon:
        daemon.wait_live(*wires)
        asked = {"kind": "runout", "limit": "0.05 mm", "turns": 50}
        runs = [daemon.ask("POST", "/runs", indicator=name, **asked)["run"] for name in wires]
        began_s = time.monotonic() + 0.1
        for at_s, text in zip(trace.time_s, texts, strict=True):
            time.sleep(max(0.0, began_s + at_s - time.monotonic()))
            for wire in wires.values():
                wire.send(text, 2.0)
        with connect(daemon.address.replace("http", "ws") + "/live", proxy=None) as socket:
            took_s = [_verdict_s(daemon, socket, run) for run in runs]
    for wire in wires.values():
        wire.close()
    return took_s


def _verdict_s(daemon: DaemonProcess, socket: ClientConnection, run: str) -> float:
    began = time.monotonic()
    daemon.client.post(f"/runs/{run}/stop")
    while True:
        messages = map(json.loads, str(socket.recv(timeout=60)).splitlines())
        if any(each["type"] == "result" and each["run"] == run for each in messages):
            return time.monotonic() - began


# Lists -------------------------------------------------------------------------------------------


def list_times(folder: Path, runs: int) -> list[Line]:
    """What the page and the commands ask of a record of years."""
    database = folder / DATABASE
    fill(database, runs // RUNS_EACH)
    with Store.open(database) as store:
        newest = store.runs(last=1)[0]
        asked: dict[str, Callable[[], Any]] = {
            "the newest 100 runs": lambda: store.runs(last=100),
            "the newest 100 of one kind": lambda: store.runs(kind="endplay", last=100),
            "the runs of one job": lambda: store.runs(job=newest.job),
            "one run by the beginning of its id": lambda: store.run(newest.id[:30]),
            "the last run": lambda: store.run("last"),
        }
        lines = [
            Line(f"{what}, of {runs}", 1e3 * _cpu_s(call, 5), "ms", at_most=50)
            for what, call in asked.items()
        ]
        lines.append(Line(f"all {runs} runs", 1e3 * _cpu_s(store.runs, 1), "ms"))
    with Jobs.open(database) as jobs:
        lines.append(
            Line("the newest 100 jobs", 1e3 * _cpu_s(lambda: jobs.latest(last=100), 3), "ms", at_most=50)
        )
    return lines


if __name__ == "__main__":
    told("This takes some minutes.")
    main()
