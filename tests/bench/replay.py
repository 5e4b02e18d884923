"""All 17 records of a real indicator, byte by byte at 20 times their pace, all at once, into one daemon.

    python -m tests.bench.replay [ROWS]

Needs the folder of real recordings beside the checkout. Every record is sent through a pseudo-terminal of
its own, stored by the running daemon, exported, and compared with the file reading for reading.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from analysis.trace_file import parse_trace
from simulators.serial_port import PtyWire
from tests.capture.daemon_process import DaemonProcess, indicators_file
from tests.capture.test_daemon import gear_record, speak
from tests.conftest import DATASETS

IN_INCHES = {"set2_E04", "set2_E06"}


def told(text: str) -> None:
    sys.stdout.write(text + "\n")


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else None
    names = sorted(path.stem for path in (DATASETS / "gear_tip_indicator").glob("set*.csv"))
    records = {name: gear_record(DATASETS, name)[:rows] for name in names}
    wires = {name: PtyWire() for name in names}
    for wire in wires.values():
        wire.plug()
    with tempfile.TemporaryDirectory() as folder:
        described = indicators_file(Path(folder), {name: wire.url for name, wire in wires.items()})
        with DaemonProcess(Path(folder) / "data", described) as daemon:
            compare(daemon, records, wires)
    for wire in wires.values():
        wire.close()


def compare(daemon: DaemonProcess, records: dict[str, list[int]], wires: dict[str, PtyWire]) -> None:
    daemon.wait_live(*records)
    runs = {name: daemon.ask("POST", "/runs", kind="trace", indicator=name)["run"] for name in records}
    threads = [
        threading.Thread(target=speak, args=(wires[name], records[name], "in" if name in IN_INCHES else "mm"))
        for name in records
    ]
    began = time.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    took_s = time.monotonic() - began
    time.sleep(0.5)
    wrong = 0
    for name, run in runs.items():
        daemon.ask("POST", f"/runs/{run}/stop")
        trace, _ = parse_trace(daemon.client.get(f"/runs/{run}/trace.csv").text, name)
        got = np.rint(trace.reading_um * 1_000).astype(int).tolist()
        same = got == records[name]
        wrong += not same
        told(f"{name}  {len(got):>6} readings  {trace.unit}  {'equal' if same else 'DIFFERENT'}")
    total = sum(map(len, records.values()))
    told(f"{total} readings in {took_s:.0f} s, {total / took_s:.0f} readings/s, {wrong} records differ")
    health = daemon.ask("GET", "/health")
    told(f"slowest write {health['slowest_write_ms']:.0f} ms, dropped {health['readings_dropped']}")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
