"""What the benches share: indicators that speak on time, pages that listen, and figures of a process."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 100
STEPS = 400  # distinct values, as on a flange that moves by 0.4 mm


def told(text: str = "") -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def value_um(seq: int) -> int:
    """What an indicator shows as its reading number `seq`: neighbours differ, so a lost one is seen."""
    return seq * 7 % STEPS


def line(seq: int) -> bytes:
    return b"+%08.3fmm \r\n" % (value_um(seq) / 1_000)


# Indicators --------------------------------------------------------------------------------------


class Speakers:
    """Indicators on pseudo-terminals, in a process of their own, each at its pace from the word go.

    Use as a context. `sent()` stops them and gives the monotonic nanoseconds of every reading sent.
    """

    def __init__(self, names: Sequence[str], rate_hz: float = RATE_HZ) -> None:
        self.names = tuple(names)
        self._pipe, theirs = multiprocessing.Pipe()
        self._child = multiprocessing.get_context("fork").Process(
            target=_speak, args=(len(self.names), rate_hz, theirs), daemon=True
        )
        self.ports: dict[str, str] = {}

    def __enter__(self) -> Speakers:
        self._child.start()
        self.ports = dict(zip(self.names, self._pipe.recv(), strict=True))
        return self

    def __exit__(self, *_: object) -> None:
        self._child.kill()
        self._child.join()

    def go(self) -> None:
        self._pipe.send("go")

    def sent(self) -> dict[str, NDArray[np.int64]]:
        self._pipe.send("stop")
        return dict(zip(self.names, self._pipe.recv(), strict=True))


def _speak(count: int, rate_hz: float, pipe: Connection) -> None:
    import tty

    ends = [os.openpty() for _ in range(count)]
    for master, slave in ends:
        tty.setraw(slave)
        os.set_blocking(master, False)
    pipe.send([os.ttyname(slave) for _, slave in ends])
    pipe.recv()
    sent: list[list[int]] = [[] for _ in ends]
    step_s = 1 / rate_hz / count
    begun_s = time.monotonic()
    turn = 0
    while not pipe.poll():
        wait_s = begun_s + turn * step_s - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        which = turn % count
        text = line(len(sent[which]))
        sent[which].append(time.monotonic_ns())
        os.write(ends[which][0], text)  # a full terminal raises: nobody may lose a byte here
        turn += 1
    pipe.recv()  # the word to stop
    pipe.send([np.array(each, dtype=np.int64) for each in sent])
    pipe.recv()  # until killed: what is not read yet is lost when this end of a terminal is closed


# Pages -------------------------------------------------------------------------------------------


class Pages:
    """Programs that hear all that is told on the live socket, as an open page does. Use as a context.

    `heard()` ends them and gives, of each, by indicator, when each reading of a run was there (ns).
    """

    def __init__(self, address: str, count: int) -> None:
        context = multiprocessing.get_context("spawn")  # a fork would hold the speakers' pipe
        self._ends = [context.Pipe() for _ in range(count)]
        url = address.replace("http", "ws") + "/live?beat=true"
        self._children = [
            context.Process(target=_listen, args=(url, theirs), daemon=True) for _, theirs in self._ends
        ]

    def __enter__(self) -> Pages:
        for child in self._children:
            child.start()
        for ours, _ in self._ends:
            ours.recv()
        return self

    def __exit__(self, *_: object) -> None:
        for child in self._children:
            child.kill()
            child.join()

    def heard(self) -> list[dict[str, NDArray[np.int64]]]:
        for ours, _ in self._ends:
            ours.send("stop")
        return [ours.recv() for ours, _ in self._ends]


def _listen(url: str, pipe: Connection) -> None:
    from websockets.sync.client import connect

    heard: dict[str, list[int]] = {}
    with connect(url, proxy=None, compression=None, max_size=1 << 24) as socket:
        pipe.send("open")
        while not pipe.poll():
            with contextlib.suppress(TimeoutError):
                text = socket.recv(timeout=0.5)
                now_ns = time.monotonic_ns()
                for message in str(text).splitlines():
                    _note(json.loads(message), now_ns, heard)
    pipe.send({name: np.array(each, dtype=np.int64) for name, each in heard.items()})


def _note(message: dict[str, Any], now_ns: int, heard: dict[str, list[int]]) -> None:
    if message["type"] == "readings" and message["run"] is not None:
        heard.setdefault(message["indicator"], []).extend([now_ns] * len(message["length_nm"]))
    elif message["type"] == "behind":
        raise RuntimeError(f"a page was too slow: {message}")


# Figures -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ProcessFigures:
    """A process as the system counts it."""

    cpu_s: float
    resident_mb: float
    descriptors: int
    threads: int


def cpu_s_of(pid: int) -> float:
    """Process time to the nanosecond, of any process (Linux: the CPU clock of a process id)."""
    return time.clock_gettime_ns(~pid << 3 | 2) / 1e9


def figures_of(pid: int) -> ProcessFigures:
    status = dict(
        line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":" in line
    )
    return ProcessFigures(
        cpu_s=cpu_s_of(pid),
        resident_mb=int(status["VmRSS"].split()[0]) / 1024,
        descriptors=len(os.listdir(f"/proc/{pid}/fd")),
        threads=int(status["Threads"]),
    )


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a table: a figure beside its target; without a target it is told only."""

    name: str
    figure: float
    unit: str
    at_most: float | None = None
    at_least: float | None = None

    @property
    def kept(self) -> bool:
        return (self.at_most is None or self.figure <= self.at_most) and (
            self.at_least is None or self.figure >= self.at_least
        )

    def text(self) -> str:
        target = ""
        if self.at_most is not None:
            target = f"<= {self.at_most:g}"
        if self.at_least is not None:
            target = f">= {self.at_least:g}"
        verdict = "" if not target else "kept" if self.kept else "NOT KEPT"
        return f"{self.name:<58}{self.figure:>12,.4g} {self.unit:<12}{target:>10}  {verdict}"


def table(title: str, lines: Sequence[Line]) -> bool:
    """Print the lines; whether all targets were kept."""
    told(f"\n{title}")
    told(f"{'what':<58}{'figure':>12} {'unit':<12}{'target':>10}")
    for each in lines:
        told(each.text())
    return all(each.kept for each in lines)


def percentiles_ms(ns: NDArray[np.int64]) -> tuple[float, float, float]:
    """Median, 99th percentile and largest, ms."""
    p50, p99, most = np.percentile(ns, [50, 99, 100]) / 1e6
    return float(p50), float(p99), float(most)


@contextlib.contextmanager
def quiet_environment() -> Iterator[None]:
    """One thread for numpy's libraries, here and in every process started from here."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ[name] = "1"
    yield
