"""Running for good: the manager is told, the log has a form, figures are OpenMetrics, the unit is sound."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import re
import shutil
import socket
import subprocess
from pathlib import Path
from types import SimpleNamespace

import pytest

from capture.commands import run as hubproof
from capture.logs import JournalLines, JsonLines, log_form
from capture.notify import Notifier
from capture.service_unit import unit
from capture.spread import EDGES_S, Spread
from tests.capture.daemon_process import DaemonProcess, environment, indicators_file

posix = pytest.mark.skipif(os.name != "posix", reason="sockets of the service manager are POSIX")


@posix
async def test_the_manager_is_told_what_sd_notify_says(tmp_path: Path) -> None:
    """The datagrams of sd_notify(3): lines of VAR=VALUE to the socket that the environment names."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.setblocking(False)
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "30000"})
        assert notifier.watchdog_s == 0.03
        notifier.tell("READY=1", "STATUS=ready")
        assert manager.recv(200) == b"READY=1\nSTATUS=ready"
        health = SimpleNamespace(indicators={"a": "live", "b": "lost"}, active_runs=("x",), why="disk full")
        bench = SimpleNamespace(is_well=True, health=lambda: health)
        telling = asyncio.create_task(notifier.keep_telling(bench))  # type: ignore[arg-type]
        await asyncio.sleep(0.1)
        said = manager.recv(200).decode().split("\n")
        assert said[0] == "WATCHDOG=1"
        assert said[1] == "STATUS=1 of 2 indicators live, 1 run goes on; not recording: disk full"
        bench.is_well = False  # the thread that writes has died: the manager hears no more
        await asyncio.sleep(0.03)
        while True:
            try:
                manager.recv(200)
            except BlockingIOError:
                break
        await asyncio.sleep(0.06)
        with pytest.raises(BlockingIOError):
            manager.recv(200)
        telling.cancel()
        await asyncio.wait([telling])
    Notifier({}).tell("READY=1")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}).tell("READY=1")
    assert Notifier({"WATCHDOG_USEC": "30000", "WATCHDOG_PID": "1"}).watchdog_s is None


def record_of(level: int, text: str, **more: object) -> logging.LogRecord:
    return logging.makeLogRecord(
        {"levelno": level, "levelname": logging.getLevelName(level), "msg": text, "name": "capture.x", **more}
    )


def test_a_log_line_is_one_object_or_has_the_journals_level() -> None:
    try:
        raise ValueError("two\nlines")
    except ValueError as error:
        broken = record_of(logging.ERROR, "it broke", exc_info=(ValueError, error, error.__traceback__))
    told = json.loads(JsonLines().format(broken))
    assert (told["level"], told["logger"], told["message"]) == ("error", "capture.x", "it broke")
    assert "ValueError: two\nlines" in told["error"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", told["time"])
    assert "\n" not in JsonLines().format(broken)
    assert json.loads(JsonLines().format(record_of(logging.INFO, "x", run="r1")))["run"] == "r1"
    lines = JournalLines("%(message)s").format(broken).split("\n")
    assert lines[0] == "<3>it broke"
    assert all(line.startswith("<3>") for line in lines)
    assert log_form(None, {"JOURNAL_STREAM": "8:1"}) == "journal"
    assert log_form("json", {"JOURNAL_STREAM": "8:1"}) == "json"
    assert log_form(None, {}) == "text"


def test_durations_are_counted_in_steps() -> None:
    spread = Spread()
    assert spread.state.at_most_s(0.99) == 0.0
    for ms in range(1, 101):
        spread.add(ms * 1_000_000)
    state = spread.state
    assert state.count == 100
    assert state.sum_s == pytest.approx(5.05)
    assert state.at_most_s(0.5) == 0.05
    assert state.at_most_s(0.99) == 0.1
    assert state.largest_s == 0.1
    spread.add(10**12)
    assert spread.state.counts[len(EDGES_S)] == 1


SAMPLE = re.compile(r"(?P<name>[a-z_]+)(?:\{(?P<labels>[^}]*)\})? (?P<value>[-+0-9.e]+)")


def read_openmetrics(text: str) -> dict[str, dict[str, float]]:
    """Samples by family, refused where they break the OpenMetrics 1.0 specification."""
    lines = text.split("\n")
    assert lines[-2:] == ["# EOF", ""]
    endings = {
        "counter": {"_total"}, "gauge": {""}, "info": {"_info"}, "histogram": {"_bucket", "_count", "_sum"},
    }  # fmt: skip
    found: dict[str, dict[str, float]] = {}
    family = kind = ""
    for line in lines[:-2]:
        if line.startswith("# TYPE "):
            family, kind = line.split()[2:]
            assert family not in found, "a family is told in one piece"
            found[family] = {}
        elif line.startswith("# UNIT "):
            assert line.split()[2] == family
            assert family.endswith("_" + line.split()[3])
        elif line.startswith("# HELP "):
            assert line.split()[2] == family
        else:
            match = SAMPLE.fullmatch(line)
            assert match, line
            assert match["name"].removeprefix(family) in endings[kind], line
            found[family][line.rsplit(" ", 1)[0]] = float(match["value"])
    for family, samples in found.items():
        buckets = [value for name, value in samples.items() if "_bucket" in name]
        if buckets:
            assert buckets == sorted(buckets)
            assert samples[f'{family}_bucket{{le="+Inf"}}'] == buckets[-1] == samples[f"{family}_count"]
    return found


@pytest.mark.slow
@posix
def test_the_daemon_under_a_manager_and_its_figures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from simulators.serial_port import PtyWire
    from tests.capture.helpers import line

    wire = PtyWire()
    wire.plug()
    described = indicators_file(tmp_path, {"bench A": wire.url})
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "300000")
        with DaemonProcess(tmp_path / "data", described) as daemon:
            said = [manager.recv(500).decode() for _ in range(3)]
            assert any(each.startswith("READY=1\nSTATUS=ready at http://127.0.0.1:") for each in said)
            assert any(each.startswith("WATCHDOG=1\nSTATUS=") for each in said)
            daemon.wait_live("bench A")
            daemon.ask("POST", "/runs", kind="trace")
            for um in range(20):
                wire.send(line(um * 1_000))
            while daemon.ask("GET", "/health")["readings_stored"] < 19:
                pass
            answer = daemon.client.get("/metrics")
            assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
            found = read_openmetrics(answer.text)
            backed_up = hubproof(["backup", str(tmp_path / "b.sqlite"), "--data", str(daemon.data)])
            daemon.process.terminate()
            assert daemon.process.wait(20) == 0
        manager.settimeout(1)
        while not manager.recv(500).startswith(b"STOPPING=1"):
            pass
    wire.close()
    assert backed_up == 0  # beside the daemon, in the middle of a run
    assert hubproof(["backup", str(tmp_path / "b.sqlite"), "--check"]) == 0
    stored = found["hubproof_readings_stored"]["hubproof_readings_stored_total"]
    assert found["hubproof_readings"]['hubproof_readings_total{indicator="bench A"}'] >= stored >= 19
    assert found["hubproof_recording"]["hubproof_recording"] == 1
    assert found["hubproof_readings_dropped"]["hubproof_readings_dropped_total"] == 0
    assert found["hubproof_handed_over_seconds"]["hubproof_handed_over_seconds_count"] == stored
    assert found["hubproof_write_seconds"]["hubproof_write_seconds_sum"] > 0


def test_the_unit_says_what_the_manager_needs_and_quotes_what_it_must(tmp_path: Path) -> None:
    text = unit(["serve", "--data", '/srv/a b%c"d$e'], Path("/srv/a b%c"))
    (command,) = re.findall(r"^ExecStart=(.*)$", text, re.M)
    assert command.endswith('"-m" "capture" "serve" "--data" "/srv/a b%%c\\"d$$e"')
    for line in ("Type=notify", "WatchdogSec=30", "Restart=on-failure", "NoNewPrivileges=yes", "UMask=0077"):
        assert line in text.splitlines()
    assert "ProtectSystem=" not in [line.split("#")[0] for line in text.splitlines()]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd's own checker")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    path = tmp_path / "hubproof.service"
    path.write_text(unit(["serve", "--data", str(tmp_path)], tmp_path))
    checked = subprocess.run(
        ["systemd-analyze", "verify", "--user", str(path)],
        capture_output=True,
        text=True,
        env={**environment(), "XDG_RUNTIME_DIR": str(tmp_path)},
        check=False,
    )
    assert (checked.returncode, checked.stderr) == (0, "")


def test_the_service_command_writes_where_systemd_looks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert hubproof(["service", "--data", str(tmp_path / "data"), "--port", "4999"]) == 0
    text = (tmp_path / "systemd" / "user" / "hubproof.service").read_text()
    assert f'"--data" "{tmp_path / "data"}" "--port" "4999"' in text
    assert "systemctl --user enable --now hubproof.service" in capsys.readouterr().out


def test_a_unit_never_names_a_file_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    missing = str(tmp_path / "none.toml")
    assert hubproof(["service", "--print", "--indicators", missing]) == 2
    assert capsys.readouterr().err == f"{missing}: there is no such file; name another with --indicators\n"
