"""`hubproof indicators` as it is typed: list, find and check, over simulated wires."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import click
import pytest
from serial.tools import list_ports

import capture.bench
import capture.finding
import config.clock
from capture.commands import run
from config.clock import Clock, SystemClock
from config.errors import LinkError
from config.indicators import indicator_named, load_indicators
from config.toml_text import indicator_toml
from simulators.serial_port import VirtualSerialPort
from tests.capture.daemon_process import DaemonProcess
from tests.capture.fast_clock import FastClock
from tests.capture.levels import Levels

SHIPPED = indicator_named("bench", load_indicators())


def at(url: str, name: str = "bench", **more: object) -> str:
    """The shipped description at a virtual port."""
    link = SHIPPED.link.model_copy(update={"port": url})
    return indicator_toml(SHIPPED.model_copy(update={"name": name, "link": link, **more}))


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Three times the system's pace, for commands in this process."""
    fast = FastClock(3.0)
    monkeypatch.setattr(config.clock, "SystemClock", lambda: fast)
    monkeypatch.setattr(capture.bench, "SystemClock", lambda: fast)
    return fast


@pytest.fixture
def clock(request: pytest.FixtureRequest) -> Clock:
    return request.getfixturevalue("hurried") if "hurried" in request.fixturenames else SystemClock()


@pytest.fixture
def plunger(clock: Clock) -> Levels:
    return Levels(clock)


@pytest.fixture
def port(plunger: Levels, clock: Clock) -> Iterator[VirtualSerialPort]:
    with VirtualSerialPort(SHIPPED, plunger, clock) as virtual:
        yield virtual


def hand(monkeypatch: pytest.MonkeyPatch, plunger: Levels, does: dict[str, float]) -> None:
    """Does what it is told: when a sentence begins so, the plunger is put there (um)."""
    say = click.echo

    def heard(message: object = "", **more: bool) -> None:
        say(message, **more)
        for words, level_um in does.items():
            if str(message).startswith(words):
                plunger.move_to(level_um)

    monkeypatch.setattr(click, "echo", heard)


def lines(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def test_described_ones_are_listed_with_what_is_wrong(
    tmp_path: Path, port: VirtualSerialPort, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "indicators.toml").write_text(
        at(port.url) + at("/dev/no-such-port", "other", calibration_due=date(2001, 1, 1))
    )
    assert run(["indicators", "--data", str(tmp_path), "--json"]) == 0
    one, other = lines(capsys.readouterr().out)
    assert (one["indicator"], one["state"], one["port"]) == ("bench", "live", port.url)
    assert one["last_reading"] is not None
    assert (other["state"], other["calibration_overdue"]) == ("lost", True)
    assert "no such port; expected one of the ports:" in str(other["why"])
    assert run(["indicators", "--data", str(tmp_path)]) == 0
    shown = capsys.readouterr().out
    assert "live" in shown
    assert "never" in shown
    assert "other: /dev/no-such-port: no such port" in shown


def test_without_any_description_the_way_to_one_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["indicators", "--data", str(tmp_path)]) == 2
    assert "hubproof indicators learn PORT" in capsys.readouterr().err


def test_a_check_against_blocks(
    tmp_path: Path,
    hurried: Clock,
    port: VirtualSerialPort,
    plunger: Levels,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A block of 1 mm that reads 1 um too much."""
    hand(monkeypatch, plunger, {"Set the block of 1.000 mm": 1_001.0})
    (tmp_path / "indicators.toml").write_text(at(port.url))
    asked = ["indicators", "check", "bench", "--rest", "2", "--block", "0 mm", "--block", "1 mm", "--one-way"]
    status = run([*asked, "--data", str(tmp_path)])
    shown = capsys.readouterr().out
    assert "Set the block of 1.000 mm under the plunger, then hands off." in shown
    # A busy machine loses readings of the hurried port, which the check is right to tell.
    assert status == (0 if "Indicator bench: PASSED" in shown else 1)
    assert status == 0 or "readings never came" in shown
    assert "+1.0 um" in shown
    assert "permissible error: WITHIN" in shown
    assert run(["indicators", "--data", str(tmp_path), "--json"]) == 0
    (card,) = lines(capsys.readouterr().out)
    last = card["last_check"]
    assert isinstance(last, dict)
    assert last["check"]["blocks"]["verdict"] == "within"


@pytest.mark.slow
def test_the_daemon_is_asked_when_one_runs(
    tmp_path: Path, port: VirtualSerialPort, capsys: pytest.CaptureFixture[str]
) -> None:
    data, file = tmp_path / "data", tmp_path / "mine.toml"
    file.write_text(at(port.url))
    with DaemonProcess(data, file) as daemon:
        daemon.wait_live("bench")
        assert run(["indicators", "check", "bench", "--rest", "2", "--data", str(data), "--json"]) == 0
        (found,) = lines(capsys.readouterr().out)
        assert found["passed"] is True
        assert 49 < found["pace"]["rate_hz"] < 51  # type: ignore[index]
        assert run(["indicators", "--data", str(data), "--json"]) == 0
        (card,) = lines(capsys.readouterr().out)
        assert card["state"] == "live"
        assert card["last_check"]["check"] == found  # type: ignore[index]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("check", "nobody"), "no indicator is named 'nobody'"),
        (("check", "other"), "/dev/no-such-port: no such port"),
        (("check", "other", "--block", "1"), "/dev/no-such-port: no such port"),
    ],
)
def test_what_cannot_be_checked(
    tmp_path: Path, arguments: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "indicators.toml").write_text(at("/dev/no-such-port", "other"))
    assert run(["indicators", *arguments, "--data", str(tmp_path)]) == 2
    assert told in capsys.readouterr().err


def test_ports_that_are_plugged_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that is described by its USB ids, one that may not be opened, none of them a real one."""
    mine = SimpleNamespace(
        device="/dev/ttyUSB7", description="USB serial", vid=0x0ABC, pid=0x12, serial_number="77"
    )
    forbidden = tmp_path / "port"
    forbidden.touch()
    shut = SimpleNamespace(device=str(forbidden), description="n/a", vid=None, pid=None, serial_number=None)
    monkeypatch.setattr(list_ports, "comports", lambda: [shut, mine])
    monkeypatch.setattr(capture.finding, "may_open", lambda path: path != str(forbidden))
    link = {"kind": "serial", "usb": "0ABC:0012"}
    described = indicator_toml(type(SHIPPED).model_validate({**_aliased(), "link": link}))
    (tmp_path / "indicators.toml").write_text(described)
    assert run(["indicators", "find", "--no-bluetooth", "--json", "--data", str(tmp_path)]) == 0
    one, other = sorted(lines(capsys.readouterr().out), key=lambda each: str(each["usb"]))
    assert (one["usb"], one["described_as"], one["allowed"]) == ("0abc:0012", "bench", True)
    assert (other["allowed"], bool(other["do"])) == (False, True)
    assert run(["indicators", "find", "--no-bluetooth", "--data", str(tmp_path)]) == 0
    shown = capsys.readouterr().out
    assert "USB 0abc:0012 number 77  = indicator 'bench'" in shown
    assert "may not be opened:" in shown


def _aliased() -> dict[str, object]:
    content = SHIPPED.model_dump(by_alias=True, exclude_none=True)
    return {
        **content, **{key: f"{content[key]} nm" for key in ("resolution", "permissible_error", "range")}
    }  # fmt: skip


def test_without_a_radio_the_ports_are_told_all_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def no_radio(*_: object, **__: object) -> None:
        raise LinkError("Bluetooth is off", where="Bluetooth", do="switch it on")

    monkeypatch.setattr(capture.finding, "find_peripherals", no_radio)
    assert run(["indicators", "find", "--data", str(tmp_path)]) == 0
    told = capsys.readouterr()
    assert "Serial ports" in told.out
    assert told.err == "Bluetooth: Bluetooth is off; switch it on\n"


LEARN = ["--known", "1 mm", "--permissible-error", "0.003 mm", "--range", "12.7 mm", "--baud", "9600"]


def test_one_is_learned_and_used(
    tmp_path: Path,
    hurried: Clock,
    port: VirtualSerialPort,
    plunger: Levels,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    hand(monkeypatch, plunger, {"Now set 1.000 mm": 1_000.0})
    (tmp_path / "indicators.toml").write_text("# mine\n" + at("/dev/no-such-port", "other"))
    more = ["--name", "learned", "--serial-number", "77", "--calibrated", "2026-01-31", "--json"]
    assert run(["indicators", "learn", port.url, *LEARN, *more, "--data", str(tmp_path)]) == 0
    (told,) = lines(capsys.readouterr().out)
    assert told["confirmed"] is True
    other, learned = load_indicators(tmp_path / "indicators.toml")
    assert (other.name, learned.name, learned.serial_number) == ("other", "learned", "77")
    assert (learned.resolution_nm, learned.calibrated) == (1_000, date(2026, 1, 31))
    assert (tmp_path / "indicators.toml").read_text().startswith("# mine\n")
    assert [each.name for each in load_indicators(tmp_path / "indicators.toml.before")] == ["other"]
    assert run(["indicators", "--data", str(tmp_path), "--json"]) == 0
    states = {card["indicator"]: card["state"] for card in lines(capsys.readouterr().out)}
    assert states == {"other": "lost", "learned": "live"}


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["/dev/no-such"], "needs --permissible-error, --range, --known (or --no-known)"),
        (["/dev/no-such", *LEARN], "/dev/no-such: no such port"),
        (["dead:beef", *LEARN], "no USB device dead:beef is plugged in"),
        (["/dev/no-such", *LEARN[2:], "--known", "0 mm"], "--known: is not above zero"),
        (["/dev/no-such", *LEARN[2:], "--known", "1"], "--known: '1' has no unit"),
    ],
)
def test_what_cannot_be_learned(
    tmp_path: Path, arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["indicators", "learn", *arguments, "--data", str(tmp_path)]) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "indicators.toml").exists()
