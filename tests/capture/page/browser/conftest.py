"""A daemon over a simulated serial port, and a real browser in front of it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from capture.folder import read_place
from config.clock import SystemClock
from config.indicators import indicator_named, load_indicators
from simulators.bench import SimulatedBench
from simulators.scenarios import build, scenario_named
from tests.capture.page.record import fill

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SIZES = {"phone": (390, 844), "tablet": (1280, 800), "laptop": (1440, 900)}
READY_WITHIN_S = 60.0
LATEST_MS = 60_000
SEED = 1
SCENARIO = "sound-hub"
DRAWN = """() => new Promise((done) =>
  setTimeout(() => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done)))))"""
WATCH = """
// what would be heard: the pitch of every tone that is begun
window.tones = [];
window.AudioContext = class {
  currentTime = 0;
  createOscillator() {
    const tone = { frequency: {}, connect: (to) => to, stop() {} };
    tone.start = () => window.tones.push(tone.frequency.value);
    return tone;
  }
  createGain() {
    const gain = { setValueAtTime() {}, exponentialRampToValueAtTime() {} };
    return { gain, connect: (to) => to };
  }
  close() {}
};
// by the page's own clock: when the station was last heard, and when the page said that it is away
const Socket = window.WebSocket;
window.WebSocket = class extends Socket {
  constructor(...all) {
    super(...all);
    this.addEventListener("message", () => { window.heardMs = performance.now(); });
  }
};
new MutationObserver(() => {
  if (document.body?.dataset.link === "away") window.awayMs ??= performance.now();
}).observe(document, { subtree: true, childList: true, attributes: true, attributeFilter: ["data-link"] });
"""


@dataclass
class Station:
    """A daemon that reads a simulated bench."""

    address: str
    folder: Path
    bench: SimulatedBench
    wire: Any
    daemon: subprocess.Popen[bytes]
    described: Path
    known: dict[str, str]

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


FAILED = pytest.StashKey[str]()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Any:
    """Of a module whose tests are the steps of one story, the first that failed is remembered."""
    report = yield
    module = item.getparent(pytest.Module)
    if report.failed and module is not None and getattr(module.obj, "ONE_STORY", False):
        module.stash.setdefault(FAILED, item.name)
    return report


def pytest_runtest_setup(item: pytest.Item) -> None:
    """What rests on a step that failed fails at once, instead of waiting for what cannot come."""
    module = item.getparent(pytest.Module)
    if module is not None and FAILED in module.stash:
        pytest.fail(f"rests on {module.stash[FAILED]}, which failed", pytrace=False)


@pytest.fixture(scope="package")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Station]:
    if os.name != "posix":
        pytest.skip("the virtual serial port needs a POSIX system")
    from capture.commands.simulate import described_at
    from simulators.serial_port import VirtualSerialPort

    folder = tmp_path_factory.mktemp("station")
    known = fill(folder)
    indicator = indicator_named("bench", load_indicators())
    clock = SystemClock()
    bench = SimulatedBench(build(scenario_named(SCENARIO), SEED, indicator), SEED, clock)
    with VirtualSerialPort(indicator, bench, clock) as port:
        described = folder / "indicators.toml"
        described.write_text(described_at(indicator, port.url), encoding="utf-8")
        daemon, address = start_daemon(folder, described)
        station = Station(address, folder, bench, port, daemon, described, known)
        yield station
        station.daemon.terminate()
        station.daemon.wait(timeout=10)


@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not installed: the page was not tried in a browser")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=chromium, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(autouse=True)
def _nothing_is_left() -> None:
    """Not asked here: the station's port, unplugged and plugged in anew by a test, ends with the package."""


Tablet = Callable[..., Any]


@pytest.fixture(scope="module")
def tablet(browser: Any, station: Station) -> Iterator[Tablet]:
    """Makes pages, live, each a device of its own, with every complaint of the browser kept."""
    contexts = []

    def make(size: str = "tablet", place: str = "", **more: Any) -> Any:
        width, height = SIZES[size]
        settings = {"viewport": {"width": width, "height": height}, "locale": "en-GB", **more}
        contexts.append(browser.new_context(**settings))
        page = contexts[-1].new_page()
        page.complaints, page.hosts = [], set()
        page.on("pageerror", lambda error: page.complaints.append(str(error)))
        page.on("console", lambda said: said.type == "error" and page.complaints.append(said.text))
        page.on("request", lambda request: page.hosts.add(request.url.split("/")[2]))
        page.add_init_script(WATCH)
        page.goto(station.address + "/" + place)
        page.wait_for_selector("body[data-link=live]", timeout=LATEST_MS)
        return page

    yield make
    for context in contexts:
        context.close()
