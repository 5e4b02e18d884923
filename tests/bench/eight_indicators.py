"""Eight indicators at 100 readings/s into the running daemon, with two pages open.

    python -m tests.bench.eight_indicators [--seconds 600] [--pages 2] [--indicators 8]

The daemon is a process of its own, the indicators are pseudo-terminals of another, each page is a third
kind. Every line sent is compared with what the record gives back; latency is counted from the moment
before the byte is written to the terminal. CPU is the daemon's process time as a share of one core.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.record import Store
from capture.folder import DATABASE
from tests.bench.load import (
    RATE_HZ,
    Line,
    Pages,
    ProcessFigures,
    Speakers,
    figures_of,
    percentiles_ms,
    table,
    told,
    value_um,
)
from tests.capture.daemon_process import DaemonProcess, indicators_file

SETTLE_S = 1.0
PROMISE_MS = 250.0


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seconds", type=float, default=600.0)
    asked.add_argument("--pages", type=int, default=2)
    asked.add_argument("--indicators", type=int, default=8)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        lines = measured(Path(folder), given.seconds, given.pages, given.indicators)
    title = f"{given.indicators} indicators at {RATE_HZ} readings/s, {given.pages} pages open"
    sys.exit(0 if table(title, lines) else 1)


def measured(folder: Path, seconds: float, pages: int, indicators: int) -> list[Line]:
    """The lines of the table."""
    names = [f"indicator {number}" for number in range(1, indicators + 1)]
    with Speakers(names) as speakers:
        described = indicators_file(folder, speakers.ports)
        with DaemonProcess(folder / "data", described) as daemon, Pages(daemon.address, pages) as open_pages:
            daemon.wait_live(*names)
            runs = {name: daemon.ask("POST", "/runs", kind="trace", indicator=name)["run"] for name in names}
            time.sleep(SETTLE_S)  # the supervisors take what comes after silence as whole lines
            before, began_s = figures_of(daemon.process.pid), time.monotonic()
            speakers.go()
            time.sleep(seconds)
            after, took_s = figures_of(daemon.process.pid), time.monotonic() - began_s
            sent = speakers.sent()
            time.sleep(SETTLE_S)
            health = daemon.ask("GET", "/health")
            figures = daemon.client.get("/metrics").text
            heard = open_pages.heard()
            for run in runs.values():
                daemon.ask("POST", f"/runs/{run}/stop")
        lost, late_ns = compared(folder / "data" / DATABASE, runs, sent)
    count = sum(map(len, sent.values()))
    Store.open(folder / "empty.sqlite").close()
    size = sum(path.stat().st_size for path in (folder / "data").glob(f"{DATABASE}*"))
    size -= (folder / "empty.sqlite").stat().st_size
    return [
        *daemon_lines(before, after, took_s, count),
        Line("readings lost or changed, on the disk", lost, "readings", at_most=0),
        *latency_lines("last byte to its time of arrival", late_ns),
        *spread_lines(figures),
        *page_lines(sent, heard),
        *health_lines(health),
        Line("database bytes a reading, above an empty record", size / max(1, count), "bytes", at_most=40),
    ]


def daemon_lines(before: ProcessFigures, after: ProcessFigures, took_s: float, sent: int) -> list[Line]:
    return [
        Line("readings sent", sent, "readings"),
        Line("CPU of the daemon", 100 * (after.cpu_s - before.cpu_s) / took_s, "% of a core", at_most=10),
        Line("CPU for a reading", 1e6 * (after.cpu_s - before.cpu_s) / max(1, sent), "us"),
        Line("resident memory", after.resident_mb, "MB", at_most=120),
        Line("resident memory grown", after.resident_mb - before.resident_mb, "MB"),
        Line("descriptors grown", after.descriptors - before.descriptors, "", at_most=0),
    ]


def compared(
    database: Path, runs: dict[str, str], sent: dict[str, NDArray[np.int64]]
) -> tuple[int, NDArray[np.int64]]:
    """Readings that the record lacks or has otherwise, and how late each was stamped (ns)."""
    lost, late = 0, []
    with Store.open(database) as store:
        for name, run in runs.items():
            rows = stored_rows(store, run)
            due = np.array([1_000 * value_um(seq) for seq in range(len(sent[name]))], dtype=np.int64)
            same = rows.shape[0] == due.size and bool(np.array_equal(rows[:, 1], due))
            if not same:
                missing = abs(due.size - rows.shape[0])
                told(f"{name}: {due.size} sent, {rows.shape[0]} stored; {differs(rows[:, 1], due)}")
                lost += max(1, missing)
            else:
                late.append(rows[:, 0] - sent[name])
    return lost, np.concatenate(late) if late else np.zeros(1, dtype=np.int64)


def differs(stored: NDArray[np.int64], due: NDArray[np.int64]) -> str:
    """Where the two begin to differ."""
    shorter = min(stored.size, due.size)
    unlike = np.flatnonzero(stored[:shorter] != due[:shorter])
    return f"unlike from reading {unlike[0]}" if unlike.size else f"alike up to reading {shorter}"


def stored_rows(store: Store, run: str) -> NDArray[np.int64]:
    """(n, 2): time of arrival on the station's monotonic clock, and length, both in whole nano-units."""
    key = store.run(run).key
    with store._reading() as connection:
        start = connection.execute("SELECT started_t_ns FROM run WHERE key = ?", (key,)).fetchone()[0]
        rows = connection.execute(
            "SELECT t_ns + ?, length_nm FROM reading WHERE run = ? ORDER BY seq", (start, key)
        ).fetchall()
    return np.array(rows, dtype=np.int64).reshape(-1, 2)


def latency_lines(name: str, ns: NDArray[np.int64], p99_ms: float | None = None) -> list[Line]:
    p50, p99, most = percentiles_ms(ns)
    return [
        Line(f"{name}, median", p50, "ms"),
        Line(f"{name}, p99", p99, "ms", at_most=p99_ms),
        Line(f"{name}, largest", most, "ms"),
    ]


def spread_lines(figures: str) -> list[Line]:
    """The daemon's own histograms; each figure is the upper edge of the step that it lies in."""
    lines = []
    for name, text, most_ms in (
        ("handed_over", "time of arrival to the recorder", None),
        ("on_disk", "time of arrival to the disk, oldest of a write", PROMISE_MS),
        ("write", "a write", None),
    ):
        buckets = re.findall(rf'hubproof_{name}_seconds_bucket{{le="([^"]+)"}} (\S+)', figures)
        total = float(buckets[-1][1])
        for share, word, target in ((0.5, "median", None), (0.99, "p99", most_ms)):
            edge_s = next(edge for edge, count in buckets if float(count) >= share * total)
            lines.append(Line(f"{text}, {word} at most", 1e3 * float(edge_s), "ms", at_most=target))
    return lines


def page_lines(sent: dict[str, NDArray[np.int64]], heard: list[dict[str, NDArray[np.int64]]]) -> list[Line]:
    if not heard:
        return []
    missing = sum(len(times) - len(page.get(name, ())) for page in heard for name, times in sent.items())
    lines = [Line("readings that a page did not get", missing, "readings", at_most=0)]
    if missing == 0:
        late = [page[name] - times for page in heard for name, times in sent.items()]
        lines += latency_lines("last byte to the page", np.concatenate(late), 30)
    return lines


def health_lines(health: dict[str, Any]) -> list[Line]:
    return [
        Line("readings dropped by the recorder", health["readings_dropped"], "readings", at_most=0),
        Line("slowest write", health["slowest_write_ms"], "ms", at_most=250),
    ]


if __name__ == "__main__":
    main()
