"""`hubproof measure` as it is typed: with a daemon, without one, and with what cannot be measured."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulators.serial_port import PtyWire
from tests.capture.daemon_process import DaemonProcess, hubproof, indicators_file
from tests.capture.helpers import line


@pytest.fixture
def resting() -> Iterator[PtyWire]:
    """An untouched indicator at 50 readings/s."""
    wire, ending = PtyWire(), threading.Event()
    wire.plug()

    def speak() -> None:
        while not ending.is_set():
            wire.send(line(12_000))
            time.sleep(0.02)

    thread = threading.Thread(target=speak)
    thread.start()
    yield wire
    ending.set()
    thread.join()
    wire.close()


def verdict(output: str) -> list[str]:
    """From the verdict on, without the run's id."""
    lines = output.splitlines()
    return lines[lines.index("Rest check: STEADY") : -1]


@pytest.mark.slow
def test_a_rest_check_in_this_process_and_by_the_daemon(tmp_path: Path, resting: PtyWire) -> None:
    data, described = tmp_path / "data", indicators_file(tmp_path, {"bench": resting.url})
    alone = hubproof("measure", "rest", "--data", str(data), "--indicators", str(described), "--wheel", "FL")
    assert alone.returncode == 0, alone.stderr
    assert "Rest check: STEADY" in alone.stdout
    with DaemonProcess(data, described):
        served = hubproof("measure", "rest", "--data", str(data), "--wheel", "FL")
    assert served.returncode == 0, served.stderr
    assert verdict(served.stdout) == verdict(alone.stdout)
    listed = hubproof("runs", "list", "--data", str(data))
    assert listed.stdout.count("rest") == 2


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("runout", "--limit", "0.05"), "--limit: '0.05' has no unit; expected a number with a unit"),
        (("runout", "--limit", "-0.05 mm"), "--limit: '-0.05 mm' is not above zero"),
        (("endplay", "--wheel", "fifth"), "--wheel: unknown wheel position 'fifth'"),
        (("rest", "--stage", "later"), "--stage: unknown stage 'later'"),
        (("rest", "--indicator", "nobody"), "--indicator: no indicator is described yet; see what is there"),
        (("rest", "--indicators", "/no/such.toml"), "/no/such.toml: cannot be read"),
        (("rest",), "--indicator: no indicator is described yet; see what is there"),
    ],
)
def test_what_cannot_be_measured_is_told_in_one_line(
    tmp_path: Path, arguments: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from capture.commands import run

    assert run(["measure", *arguments, "--data", str(tmp_path)]) == 2
    (line_told,) = capsys.readouterr().err.splitlines()
    assert line_told.startswith(told)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        (None, "--indicator: which indicator is not said; expected one of: left, right"),
        ("nobody", "--indicator: no indicator is named 'nobody'; expected one of: left, right"),
        ("left", "/dev/no-such-port: no such port; expected one of the ports:"),
    ],
)
def test_a_missing_port_or_name_ends_it_at_once(
    tmp_path: Path, name: str | None, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file stands in the data folder, where the station looks for it."""
    from capture.commands import run

    indicators_file(tmp_path, {"left": "/dev/no-such-port", "right": "/dev/no-other-port"})
    began = time.monotonic()
    named = ["--indicator", name] if name else []
    assert run(["measure", "runout", *named, "--data", str(tmp_path)]) == 2
    assert time.monotonic() - began < 5.0
    assert capsys.readouterr().err.startswith(told)


@pytest.mark.slow
def test_the_daemon_s_missing_port_ends_it_at_once_too_and_no_example_is_looked_for(tmp_path: Path) -> None:
    data, described = tmp_path / "data", indicators_file(tmp_path, {"left": "/dev/no-such-port"})
    with DaemonProcess(data, None) as bare:
        assert bare.ask("GET", "/indicators") == []
        assert "hubproof indicators learn" in bare.said()
        assert "WARNING" not in bare.said()
    with DaemonProcess(data, described):
        told = hubproof("measure", "rest", "--data", str(data))
    assert told.returncode == 2
    assert told.stderr.startswith("/dev/no-such-port: no such port; expected one of the ports:")
