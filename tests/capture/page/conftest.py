"""A daemon over a simulated serial port, and a real browser in front of it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from capture.folder import read_place
from config.clock import SystemClock
from config.indicators import indicator_named, load_indicators
from simulators.bench import SimulatedBench
from simulators.scenarios import build, scenario_named

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
READY_WITHIN_S = 20.0
SEED = 1


@dataclass
class Station:
    """A daemon that reads a simulated bench."""

    address: str
    folder: Path
    bench: SimulatedBench
    daemon: subprocess.Popen[bytes]
    described: Path

    def start_again(self) -> None:
        """A new daemon at the same address."""
        port = int(self.address.rpartition(":")[2])
        self.daemon, self.address = start_daemon(self.folder, self.described, port)


def start_daemon(folder: Path, described: Path, port: int = 0) -> tuple[subprocess.Popen[bytes], str]:
    words = ["serve", "--data", str(folder), "--indicators", str(described), "--port", str(port)]
    with (folder / "daemon.log").open("ab") as log:
        daemon = subprocess.Popen([sys.executable, "-m", "capture", *words], stdout=log, stderr=log)
    give_up = time.monotonic() + READY_WITHIN_S
    while (place := read_place(folder)) is None or place.pid != daemon.pid:
        if daemon.poll() is not None or time.monotonic() > give_up:
            daemon.kill()
            daemon.wait()
            pytest.fail((folder / "daemon.log").read_text(encoding="utf-8"))
        time.sleep(0.05)
    return daemon, place.address


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Station]:
    if os.name != "posix":
        pytest.skip("the virtual serial port needs a POSIX system")
    from capture.commands.simulate import described_at
    from simulators.serial_port import VirtualSerialPort

    folder = tmp_path_factory.mktemp("station")
    indicator = indicator_named("bench", load_indicators())
    clock = SystemClock()
    bench = SimulatedBench(build(scenario_named("worn-bearing"), SEED, indicator), SEED, clock)
    with VirtualSerialPort(indicator, bench, clock) as port:
        described = folder / "indicators.toml"
        described.write_text(described_at(indicator, port.url), encoding="utf-8")
        daemon, address = start_daemon(folder, described)
        station = Station(address, folder, bench, daemon, described)
        yield station
        station.daemon.terminate()
        station.daemon.wait(timeout=10)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not installed: the page was not tried in a browser")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=chromium, args=FLAGS)
        yield browser
        browser.close()
