"""The daemon as a process: what survives a kill, a clean stop, and a second one."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.measure import measure_runout
from analysis.trace_file import parse_trace
from capture.client import daemon_of
from simulators.serial_port import PtyWire, replay
from tests.capture.daemon_process import DaemonProcess, hubproof, indicators_file
from tests.capture.helpers import line

LOST_AT_MOST_S = 0.25
RATE_HZ = 200
PACE = 20
GEAR_RATE_HZ = 9.1
GEAR_ROWS = 400


class Speaker:
    """Sends readings 0, 1, 2 … micrometres at `RATE_HZ` and remembers when."""

    def __init__(self) -> None:
        self.wire = PtyWire()
        self.wire.plug()
        self.sent_s: list[float] = []
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._speak)

    def start(self) -> None:
        self._thread.start()

    def _speak(self) -> None:
        while not self._ending.is_set():
            self.wire.send(line(len(self.sent_s) * 1_000))
            self.sent_s.append(time.monotonic())
            time.sleep(1 / RATE_HZ)

    def stop(self) -> None:
        self._ending.set()
        if self._thread.ident is not None:
            self._thread.join()
        self.wire.close()


@pytest.fixture
def speaker() -> Iterator[Speaker]:
    speaking = Speaker()
    yield speaking
    speaking.stop()


@pytest.mark.slow
def test_a_kill_in_mid_run_loses_a_quarter_of_a_second_at_most(tmp_path: Path, speaker: Speaker) -> None:
    data, described = tmp_path / "data", indicators_file(tmp_path, {"bench": speaker.wire.url})
    with DaemonProcess(data, described) as daemon:
        daemon.wait_live("bench")
        run = daemon.ask("POST", "/runs", kind="trace")["run"]
        speaker.start()
        time.sleep(1.5)
        killed_s = time.monotonic()
        daemon.kill()
    with DaemonProcess(data, described) as daemon:
        record = daemon.ask("GET", f"/runs/{run}")
        trace, _ = parse_trace(daemon.client.get(f"/runs/{run}/trace.csv").text, "answer")
        assert run in daemon.said()
    stored = np.rint(trace.reading_um).astype(int).tolist()
    assert record["summary"]["state"] == "interrupted"
    assert stored == list(range(len(stored)))
    due = sum(sent_s <= killed_s - LOST_AT_MOST_S for sent_s in speaker.sent_s)
    assert len(stored) >= due > 100
    assert measure_runout(trace).verdict in (None, "not measurable")


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_clean_stop_flushes_every_reading(tmp_path: Path, speaker: Speaker, number: signal.Signals) -> None:
    data, described = tmp_path / "data", indicators_file(tmp_path, {"bench": speaker.wire.url})
    with DaemonProcess(data, described) as daemon:
        daemon.wait_live("bench")
        run = daemon.ask("POST", "/runs", kind="trace")["run"]
        speaker.start()
        time.sleep(0.5)
        stopped_s = time.monotonic()
        daemon.process.send_signal(number)
        assert daemon.process.wait(10) == 0, daemon.said()
    assert not (data / "daemon.json").exists()
    exported = hubproof("export", run, "--data", str(data))
    assert exported.returncode == 0, exported.stderr
    trace, _ = parse_trace(exported.stdout, "export")
    stored = np.rint(trace.reading_um).astype(int).tolist()
    assert stored == list(range(len(stored)))
    assert len(stored) >= sum(sent_s < stopped_s - 0.02 for sent_s in speaker.sent_s)


@pytest.mark.slow
def test_one_daemon_a_folder_and_one_a_port(tmp_path: Path, speaker: Speaker) -> None:
    data, described = tmp_path / "data", indicators_file(tmp_path, {"bench": speaker.wire.url})
    with DaemonProcess(data, described) as daemon:
        assert asyncio.run(daemon_of(data)) == daemon.address
        assert (data / "daemon.json").stat().st_mode & 0o077 == 0
        second = hubproof("serve", "--data", str(data), "--indicators", str(described), "--port", "0")
        assert second.returncode == 2
        (told,) = second.stderr.splitlines()
        assert f"process {daemon.process.pid}" in told
        assert "works with this folder" in told
    assert asyncio.run(daemon_of(data)) is None
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        refused = hubproof("serve", "--data", str(data), "--port", port)
    assert refused.returncode == 2
    (told,) = refused.stderr.splitlines()
    assert told == f"127.0.0.1:{port}: is in use by another program; name another port with --port"


@pytest.mark.slow
def test_the_live_socket_tells_what_goes_on_to_its_own_only(tmp_path: Path, speaker: Speaker) -> None:
    from websockets.exceptions import InvalidStatus
    from websockets.sync.client import connect

    data, described = tmp_path / "data", indicators_file(tmp_path, {"bench": speaker.wire.url})
    with DaemonProcess(data, described) as daemon:
        url = daemon.address.replace("http", "ws") + "/live"
        with pytest.raises(InvalidStatus):
            connect(url, origin="http://evil.example", proxy=None)  # type: ignore[arg-type]
        with connect(url, origin=daemon.address, proxy=None) as socket:  # type: ignore[arg-type]
            daemon.wait_live("bench")
            speaker.start()
            run = daemon.ask("POST", "/runs", kind="rest")["run"]
            heard: dict[str, list[dict[str, Any]]] = {}
            while "result" not in heard:
                for message in map(json.loads, str(socket.recv(timeout=20)).split("\n")):
                    heard.setdefault(message["type"], []).append(message)
        assert len(heard["readings"]) > 10
        assert len(heard["run"]) >= 1
        (result,) = heard["result"]
        assert result["run"] == run
        assert result["result"]["kind"] == "rest"


@pytest.mark.slow
def test_real_recordings_come_back_reading_for_reading(tmp_path: Path, datasets: Path) -> None:
    """Records of a real indicator (github LeeJMJM/GearEccDataset), two of them written in inches."""
    names = {"set1_E04": "mm", "set2_E04": "in", "set2_E06": "in"}
    records = {name: gear_record(datasets, name)[:GEAR_ROWS] for name in names}
    wires = {name: PtyWire() for name in names}
    for wire in wires.values():
        wire.plug()
    described = indicators_file(tmp_path, {name: wire.url for name, wire in wires.items()})
    try:
        with DaemonProcess(tmp_path / "data", described) as daemon:
            daemon.wait_live(*names)
            runs = {name: daemon.ask("POST", "/runs", kind="trace", indicator=name)["run"] for name in names}
            speaking = [
                threading.Thread(target=speak, args=(wires[name], records[name], unit))
                for name, unit in names.items()
            ]
            for thread in speaking:
                thread.start()
            for thread in speaking:
                thread.join()
            time.sleep(0.2)
            for run in runs.values():
                daemon.ask("POST", f"/runs/{run}/stop")
            for name, unit in names.items():
                text = daemon.client.get(f"/runs/{runs[name]}/trace.csv").text
                trace, _ = parse_trace(text, name)
                assert np.rint(trace.reading_um * 1_000).astype(int).tolist() == records[name]
                assert trace.unit == unit
                assert trace.flag is None
    finally:
        for wire in wires.values():
            wire.close()


def gear_record(datasets: Path, name: str) -> list[int]:
    """The readings of a record in nanometres, exact: the file has six decimals of a millimetre at most."""
    path = datasets / "gear_tip_indicator" / f"{name}.csv"
    rows = [row for row in path.read_text(encoding="utf-8").splitlines() if not row.startswith("#")][1:]
    return [round(float(row.split(",")[1]) * 1_000_000) for row in rows]


def speak(wire: PtyWire, lengths_nm: list[int], unit: str) -> None:
    """Byte by byte, at 20 times the pace at which they were recorded."""
    messages = [line(length_nm, unit) for length_nm in lengths_nm]
    times_s = [number / GEAR_RATE_HZ for number in range(len(messages))]
    assert replay(wire, messages, times_s, speed=PACE) == len(messages)
