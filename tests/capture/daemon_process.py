"""A daemon in a process of its own, as the user starts it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import httpx

ROOT = Path(__file__).parents[2]
COMMAND = (sys.executable, "-c", "from capture.commands import main; main()")
READY_WITHIN_S = 30.0  # on a machine that is busy with other tests


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}


def hubproof(*arguments: str, timeout: float = 60.0) -> subprocess.CompletedProcess[str]:
    """One command, to its end."""
    return subprocess.run(
        [*COMMAND, *arguments],
        capture_output=True,
        text=True,
        env=environment(),
        timeout=timeout,
        check=False,
    )


def indicators_file(folder: Path, ports: dict[str, str]) -> Path:
    """A file that describes an indicator of text lines at each port, by name."""
    entries = [
        f"""
[[indicator]]
name = "{name}"
resolution = "0.001 mm"
permissible_error = "0.003 mm"
range = "12.7 mm"
[indicator.link]
kind = "serial"
port = "{port}"
baud = 115200
[indicator.format]
kind = "lines"
pattern = '(?P<value>[+-] *\\d+\\.\\d+)(?P<unit>mm|in) '
"""
        for name, port in ports.items()
    ]
    path = folder / "indicators.toml"
    path.write_text("".join(entries), encoding="utf-8")
    return path


class DaemonProcess:
    """`hubproof serve` on a free port; use as a context."""

    def __init__(self, data: Path, indicators: Path | None, *more: str) -> None:
        self.data = data
        self._arguments = (
            "serve",
            "--data",
            str(data),
            *(() if indicators is None else ("--indicators", str(indicators))),
            "--port",
            "0",
            *more,
        )

    def __enter__(self) -> Self:
        self.log = open(self.data.parent / "daemon.log", "a+b")
        began = time.monotonic()
        self.process = subprocess.Popen(
            [*COMMAND, *self._arguments], stdout=self.log, stderr=self.log, env=environment()
        )
        told = self.data / "daemon.json"
        while not told.exists() or json.loads(told.read_text())["pid"] != self.process.pid:
            assert self.process.poll() is None, self.said()
            assert time.monotonic() - began < READY_WITHIN_S, self.said()
            time.sleep(0.01)
        self.address = str(json.loads(told.read_text())["address"])
        self.ready_s = time.monotonic() - began
        self.client = httpx.Client(base_url=self.address, trust_env=False, timeout=20.0)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.client.close()
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(20)
        self.log.close()

    def said(self) -> str:
        """What it wrote so far."""
        self.log.seek(0)
        return self.log.read().decode()

    def ask(self, method: str, path: str, **body: Any) -> Any:
        """An answer that must be a good one."""
        answer = self.client.request(method, path, json=body or None)
        assert answer.is_success, answer.text
        return answer.json() if answer.content else None

    def wait_live(self, *names: str) -> None:
        """Until the indicators are connected (live needs a reading)."""
        end = time.monotonic() + 30
        while True:
            states = {state["indicator"]: state for state in self.ask("GET", "/indicators")}
            if all(states[name]["port"] for name in names):
                return
            assert time.monotonic() < end, states
            time.sleep(0.02)

    def kill(self) -> None:
        """As a power cut would."""
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(10)
