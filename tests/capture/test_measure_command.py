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
        (("rest", "--indicator", "nobody"), "--indicator: no indicator is named 'nobody'; expected one of:"),
        (("rest", "--indicators", "/no/such.toml"), "/no/such.toml: cannot be read"),
        (("rest",), "--indicator: which indicator is not said; expected one of:"),
    ],
)
def test_what_cannot_be_measured_is_told_in_one_line(
    tmp_path: Path, arguments: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from capture.commands import run

    assert run(["measure", *arguments, "--data", str(tmp_path)]) == 2
    (line_told,) = capsys.readouterr().err.splitlines()
    assert line_told.startswith(told)
