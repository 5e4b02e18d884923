"""The page under load: from the last byte at the serial port to the changed pixel, and what it costs.

    python -m tests.bench.page [--seconds 20]

Needs Chromium and a POSIX system. Figures: latency p50 and p99 of single readings at 50 a second; draws a
second while a run-out is drawn round, with the browser's CPU slowed four times; what the page weighs as it
travels; the page's memory over eight hours of messages, played as fast as they can be taken.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import os
import pty
import shutil
import statistics
import tempfile
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
from playwright.sync_api import sync_playwright

from tests.capture.daemon_process import DaemonProcess, indicators_file
from tests.capture.page.browser.conftest import FLAGS

PACE_S = 0.02
TURN_S = 4.0
SLOWED = 4
HOURS = 8

SEEN = """() => {
  // when a changed length was on the screen: the task after the frame in which it was written
  window.seen = [];
  const after = new MessageChannel();
  const waiting = [];
  after.port1.onmessage = () => {
    const at = performance.timeOrigin + performance.now();
    for (const text of waiting.splice(0)) window.seen.push([text, at]);
  };
  const digits = document.getElementById("digits");
  new MutationObserver(() => {
    waiting.push(digits.textContent);
    after.port2.postMessage(null);
  }).observe(digits, { childList: true, characterData: true, subtree: true });
}"""

HEARD = """
// when each length was handed to the page, by its whole nanometres
window.heard = new Map();
const Plain = window.WebSocket;
window.WebSocket = class extends Plain {
  constructor(...all) {
    super(...all);
    this.addEventListener("message", (event) => {
      const at = performance.timeOrigin + performance.now();
      for (const line of event.data.split("\\n")) {
        const told = JSON.parse(line);
        if (told.type === "readings") for (const nm of told.length_nm) window.heard.set(nm, at);
      }
    });
  }
};
"""

HOURS_OF_MESSAGES = """async ([from, to]) => {
  const { hear } = await import("/page/heard.js");
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  const readings = { type: "readings", indicator: "bench", unit: "mm", flags: {} };
  const soFar = { type: "so far", from_mark: true, strokes: [], play_mm: null };
  const progress = { type: "run", kind: "runout", indicator: "bench", asked: 3, readings: 0,
    flagged: 0, gaps: 0, marks: 4, warnings: [] };
  for (let second = from; second < to; second += 1) {
    const going = second % 60 < 20;
    const run = `r${Math.floor(second / 60)}`;
    if (second % 60 === 0) {
      hear({ ...progress, run, state: "moving", say: "Keep turning: 0.0 of 3 turns seen.", seen: 0 });
    }
    for (let i = 0; i < 50; i += 1) {
      const t = 1e12 + (second + i / 50) * 1e9;
      const nm = Math.round(30 * Math.sin(second + i / 50)) * 1000;
      hear({ ...readings, run: going ? run : null, t_ns: [t], length_nm: [nm] });
    }
    if (going && second % 60 > 5) {
      const t_ns = Array.from({ length: second % 60 }, (_, k) => 1e12 + (second - (second % 60) + k) * 1e9);
      hear({ ...soFar, run, t_ns, angle_deg: t_ns.map((_, k) => 90 * k) });
    }
    if (second % 60 === 20) {
      hear({ ...progress, run, state: "done", say: "Done.", seen: 3 });
    }
    if (second % 10 === 0) await frame();
  }
}"""


class Feeder:
    """Writes lines into a pseudo-terminal at a steady pace, each with a length of its own."""

    def __init__(self) -> None:
        self._far, near = pty.openpty()
        tty.setraw(near)
        self.port = os.ttyname(near)
        self._near = near
        self._going = threading.Event()
        self.written: dict[str, float] = {}
        self.shape = "count"

    def __enter__(self) -> Feeder:
        self._thread = threading.Thread(target=self._feed)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._going.set()
        self._thread.join()
        os.close(self._far)
        os.close(self._near)

    def _feed(self) -> None:
        number, due = 0, time.monotonic()
        while not self._going.is_set():
            number += 1
            um = number % 9000 if self.shape == "count" else self._turned(number)
            line = f"{'-' if um < 0 else '+'}{abs(um) // 1000:4d}.{abs(um) % 1000:03d}mm \r\n".encode()
            os.write(self._far, line)
            self.written[f"{um / 1000:.3f}"] = 1000 * time.time()
            due += PACE_S
            time.sleep(max(0.0, due - time.monotonic()))

    @staticmethod
    def _turned(number: int) -> int:
        return round(30 * math.cos(2 * math.pi * number * PACE_S / TURN_S) + number % 2)


@contextlib.contextmanager
def at_the_bench() -> Iterator[tuple[Feeder, str, Any]]:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name, Feeder() as feeder:
        data = Path(name) / "data"
        described = indicators_file(Path(name), {"bench": feeder.port})
        with DaemonProcess(data, described) as daemon, sync_playwright() as started:
            chromium = shutil.which("chromium")
            assert chromium is not None, "Chromium is not installed"
            browser = started.chromium.launch(executable_path=chromium, args=FLAGS)
            page = browser.new_page(viewport={"width": 1280, "height": 800}, device_scale_factor=2)
            page.add_init_script(HEARD)
            yield feeder, daemon.address, page
            browser.close()


def weight(page: Any, address: str) -> None:
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda told: sizes.append(told["encodedDataLength"]))
    page.goto(address)
    page.wait_for_selector("body[data-link=live]")
    page.wait_for_timeout(500)
    print(f"page weight as it travels: {sum(sizes) / 1000:.1f} kB in {len(sizes)} answers (at most 150)")


def latency(feeder: Feeder, page: Any, seconds: float) -> None:
    page.evaluate(SEEN)
    page.wait_for_timeout(1000)
    page.evaluate("window.seen = []; window.heard.clear()")
    page.wait_for_timeout(1000 * seconds)
    seen = page.evaluate("window.seen")
    took = [at - feeder.written[text.replace("−", "-")] for text, at in seen if text in feeder.written]
    heard = page.evaluate("[...window.heard]")
    came = [at - feeder.written[f"{nm / 1e6:.3f}"] for nm, at in heard if f"{nm / 1e6:.3f}" in feeder.written]
    p50, p99 = middle_and_p99(took)
    share = len(took) / (seconds / PACE_S)
    print(f"last byte to changed pixel: p50 {p50:.1f} ms, p99 {p99:.1f} ms over {len(took)} readings"
          f" ({share:.0%} of those sent; target p99 30 ms on an idle machine)")  # fmt: skip
    p50, p99 = middle_and_p99(came)
    print(f"  of which until the page has the message: p50 {p50:.1f} ms, p99 {p99:.1f} ms")


def middle_and_p99(all_ms: list[float]) -> tuple[float, float]:
    return statistics.median(all_ms), sorted(all_ms)[int(0.99 * (len(all_ms) - 1))]


def slowed(feeder: Feeder, address: str, page: Any, seconds: float) -> None:
    feeder.shape = "turn"
    run = httpx.post(f"{address}/runs", json={"kind": "runout", "turns": 90}).json()["run"]
    for _ in range(3):
        httpx.post(f"{address}/runs/{run}/mark")
        time.sleep(TURN_S)
    page.wait_for_selector("#live-shape path.turn", state="attached")
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})
    draws, cost_ms = drawn(page, session, seconds)
    print(f"draws a second of the round plot: {draws:.1f}; each takes {cost_ms:.1f} ms of its thread")
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
    draws, _ = drawn(page, session, seconds)
    session.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    httpx.post(f"{address}/runs/{run}/stop", timeout=60)
    print(
        f"draws a second, CPU slowed {SLOWED} times: {draws:.1f} (50 readings a second);"
        f" {1000 / SLOWED / cost_ms:.0f} were possible by the time that each takes"
    )


def drawn(page: Any, session: Any, seconds: float) -> tuple[float, float]:
    """Draws a second, and the milliseconds of the page's own thread that each took."""
    page.evaluate("window.seen = []")
    before = busy_s(session)
    page.wait_for_timeout(1000 * seconds)
    draws = len(page.evaluate("[...new Set(window.seen.map(([, at]) => at))]"))
    return draws / seconds, 1000 * (busy_s(session) - before) / max(1, draws)


def busy_s(session: Any) -> float:
    metrics = {each["name"]: each["value"] for each in session.send("Performance.getMetrics")["metrics"]}
    return float(metrics["TaskDuration"])


def memory(page: Any) -> None:
    session = page.context.new_cdp_session(page)
    used = []
    for hour in range(HOURS):
        page.evaluate(HOURS_OF_MESSAGES, [3600 * hour, 3600 * (hour + 1)])
        session.send("HeapProfiler.collectGarbage")
        heap = session.send("Runtime.getHeapUsage")["usedSize"] / 1e6
        nodes = page.evaluate("document.querySelectorAll('*').length")
        used.append(heap)
        print(f"  after {hour + 1} h of messages: {heap:.2f} MB of script memory, {nodes} elements")
    print(f"growth from hour 2 to hour {HOURS}: {used[-1] - used[1]:+.2f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    seconds = parser.parse_args().seconds
    with at_the_bench() as (feeder, address, page):
        print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        weight(page, address)
        latency(feeder, page, seconds)
        slowed(feeder, address, page, seconds)
        memory(page)


if __name__ == "__main__":
    main()
