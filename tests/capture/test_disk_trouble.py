"""The disk fills, hesitates or is held by another while readings arrive: told at once, and none is lost."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from analysis.record import Store, database
from analysis.record.database import connect
from capture.folder import DATABASE
from capture.messages import RunRequest, Trouble
from simulators.serial_port import PtyWire
from tests.capture.daemon_process import DaemonProcess, hubproof, indicators_file
from tests.capture.helpers import line
from tests.capture.test_bench import PERIOD_S, Station, at_work, stored
from tests.capture.test_clock_steps import finished

SMALL_MB = 2


async def speak(station: Station, sent: list[int], count: int = 5) -> None:
    values = [number % 900 for number in range(len(sent), len(sent) + count)]
    sent += values
    await station.send(values)


def troubles(station: Station) -> list[str]:
    return [each.text for each in station.messages if isinstance(each, Trouble) and each.where == "record"]


@pytest.mark.parametrize("what", ["full", "read-only", "held by another"])
async def test_capture_goes_on_in_memory_and_says_so(
    what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "WAIT_FOR_LOCK_MS", 20)
    monkeypatch.setattr("capture.recorder.RETRY_S", 0.02)
    sent: list[int] = []
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="trace"))
        await speak(station, sent)
        held = station.bench.store._connection
        pages = held.execute("PRAGMA page_count").fetchone()[0]
        other = connect(tmp_path / DATABASE)
        if what == "full":
            held.execute(f"PRAGMA max_page_count = {pages}")
        elif what == "read-only":
            held.execute("PRAGMA query_only = ON")
        else:
            other.execute("BEGIN IMMEDIATE")
        while station.bench.health().state == "ok":
            await speak(station, sent, 50)
            await station.until(lambda: True, PERIOD_S)
        why = {
            "full": "the disk is full",
            "read-only": "it is read-only",
            "held by another": "another program",
        }
        health = station.bench.health()
        assert health.state == "not recording"
        assert health.why is not None
        assert why[what] in health.why
        await speak(station, sent, 50)
        assert station.bench.health().readings_waiting >= 50
        await station.until(lambda: troubles(station), PERIOD_S)
        assert troubles(station)[0].startswith("not recording: ")
        assert station.last_progress().readings >= 50  # the run goes on
        held.execute("PRAGMA max_page_count = 1000000")
        held.execute("PRAGMA query_only = OFF")
        if other.in_transaction:
            other.execute("ROLLBACK")
        other.close()
        await station.until(lambda: station.bench.health().readings_waiting == 0, PERIOD_S)
        await speak(station, sent)
        await finished(station, begun.run)
        assert troubles(station)[-1] == "recording again"
        assert station.bench.health().readings_dropped == 0
    assert stored(tmp_path, begun.run) == sent


async def test_a_slow_disk_delays_and_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    append, sent = Store.append_many, []

    def slow(store: Store, rows_of: object) -> None:
        time.sleep(0.15)
        append(store, rows_of)  # type: ignore[arg-type]

    monkeypatch.setattr(Store, "append_many", slow)
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="trace"))
        for _ in range(10):
            await speak(station, sent, 20)
            await station.until(lambda: True)
        await finished(station, begun.run)
        assert station.bench.health().slowest_write_ms > 0.0  # it is told
    assert stored(tmp_path, begun.run) == sent


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={SMALL_MB}m", "tmpfs", str(folder)]
    if os.name != "posix" or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("a small file system can be mounted by root on Linux only")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


@pytest.mark.slow
def test_the_daemon_on_a_disk_that_fills_up_and_is_cleared(tmp_path: Path, small_disk: Path) -> None:
    wire = PtyWire()
    wire.plug()
    data, sent = small_disk / "data", 0
    with DaemonProcess(data, indicators_file(tmp_path, {"bench": wire.url})) as daemon:
        daemon.wait_live("bench")
        run = daemon.ask("POST", "/runs", kind="trace")["run"]
        time.sleep(0.1)
        with open(small_disk / "filler", "wb") as filler:
            free = os.statvfs(small_disk)
            filler.write(b"\0" * max(0, free.f_bavail * free.f_frsize - 16_384))
        end = time.monotonic() + 40
        while (health := daemon.ask("GET", "/health"))["state"] == "ok" or health["readings_waiting"] < 500:
            assert time.monotonic() < end, health
            for _ in range(100):
                wire.send(line(sent % 900 * 1_000), 2.0)
                sent += 1
        assert "the disk is full" in health["why"] or "the disk does not answer" in health["why"]
        refused = daemon.client.post("/runs", json={"kind": "trace", "indicator": "bench"})
        assert refused.status_code in (400, 503)
        (small_disk / "filler").unlink()
        while daemon.ask("GET", "/health")["readings_waiting"]:
            assert time.monotonic() < end
            time.sleep(0.05)
        health = daemon.ask("GET", "/health")
        assert (health["state"], health["readings_dropped"]) == ("ok", 0)
        daemon.ask("POST", f"/runs/{run}/stop")
        assert "recording again" in daemon.said()
        assert "Traceback" not in daemon.said()
    wire.close()
    with Store.open(data / DATABASE) as store:
        kept = np.rint(store.trace(run).reading_um).astype(int).tolist()
        assert store.verify().differences == ()
    assert kept == [number % 900 for number in range(sent)]


@pytest.mark.slow
def test_a_station_cannot_be_started_on_a_full_disk_and_says_why(small_disk: Path) -> None:
    with open(small_disk / "filler", "wb") as filler:
        free = os.statvfs(small_disk)
        filler.write(b"\0" * (free.f_bavail * free.f_frsize))
    done = hubproof("serve", "--data", str(small_disk / "data"), "--port", "0")
    assert done.returncode == 2, done.stderr
    (told,) = done.stderr.splitlines()
    assert str(small_disk) in told
    assert "space" in told or "the disk is full" in told
