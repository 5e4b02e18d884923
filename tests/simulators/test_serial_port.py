"""The virtual serial port, read through the very library that opens real ports."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
import serial

from config.clock import SteppedClock, SystemClock
from config.indicators import indicator_named, load_indicators
from simulators.bench import SimulatedBench
from simulators.faults import WireFaults, spoil
from simulators.hand import Rest
from simulators.keep_alive import run
from simulators.scenarios import build
from simulators.serial_port import HAS_PTY, VirtualSerialPort, new_wire, replay

WIRES = ["pty", "socket"] if HAS_PTY else ["socket"]


def virtual(name: str, wire: str, faults: WireFaults | None = None, **more: bool) -> VirtualSerialPort:
    clock = SystemClock()
    indicator = indicator_named(name, load_indicators())
    bench = SimulatedBench(build("sound-hub", 1, indicator), 1, clock)
    return VirtualSerialPort(indicator, bench, clock, wire=wire, faults=faults, **more)


def read_for(url: str, seconds: float) -> bytes:
    ends = time.monotonic() + seconds
    data = b""
    with serial.serial_for_url(url, timeout=0.02) as port:
        while time.monotonic() < ends:
            data += port.read(256)
    return data


def read_on(port: serial.SerialBase, until_s: float) -> None:
    while time.monotonic() < until_s:
        port.read(64)


@pytest.mark.parametrize("wire", WIRES)
def test_lines_arrive_at_the_indicator_s_rate(wire: str) -> None:
    with virtual("bench", wire) as port:
        lines = read_for(port.url, 0.6).split(b"\r\n")
    whole = lines[1:-1]
    assert 18 <= len(whole) <= 33
    assert all(len(line) == 12 and line.endswith(b"mm ") for line in whole)


def test_byte_by_byte_gives_the_same_lines() -> None:
    with virtual("bench", "auto", byte_by_byte=True) as port:
        lines = read_for(port.url, 0.5).split(b"\r\n")[1:-1]
    assert len(lines) > 10
    assert all(len(line) == 12 for line in lines)


@pytest.mark.parametrize("wire", WIRES)
def test_a_polled_indicator_speaks_only_when_asked(wire: str) -> None:
    with (
        virtual("bench-polled", wire) as virtual_port,
        serial.serial_for_url(virtual_port.url, timeout=0.5) as port,
    ):
        time.sleep(0.15)
        assert port.read(1) == b"" or not port.in_waiting
        port.write(b"MEAS?\n")
        assert port.read_until(b"\n").endswith(b"\n")
        port.write(b"*IDN?\n")
        assert port.read_until(b"\n").count(b",") == 3


@pytest.mark.parametrize("wire", WIRES)
def test_an_unplugged_port_ends_at_once_and_comes_back_under_its_name(wire: str) -> None:
    with virtual("bench", wire) as virtual_port:
        url = virtual_port.url
        port = serial.serial_for_url(url, timeout=1.0)
        assert port.read(4)
        virtual_port.unplug()
        begun = time.monotonic()
        with pytest.raises((serial.SerialException, OSError)):
            read_on(port, begun + 2.0)
        assert time.monotonic() < begun + 0.5
        port.close()
        with pytest.raises((serial.SerialException, OSError)):
            serial.serial_for_url(url, timeout=0.1).close()
        virtual_port.replug()
        assert virtual_port.url == url
        assert read_for(url, 0.3)


def test_nobody_listening_does_not_stop_the_indicator() -> None:
    with virtual("bench-frames", "auto") as port:
        time.sleep(0.5)
        assert port.sent > 30
        assert read_for(port.url, 0.3)


@pytest.fixture(params=WIRES)
def wire(request: pytest.FixtureRequest) -> Iterator[object]:
    made = new_wire(request.param)
    made.plug()
    yield made
    made.close()


def test_a_replay_arrives_byte_for_byte_at_its_pace(wire: object) -> None:
    messages = [f"{number:+08.3f}\r\n".encode() for number in range(240)]
    times_s = [0.05 * number for number in range(240)]
    with serial.serial_for_url(wire.url, timeout=0.05) as port:  # type: ignore[attr-defined]
        counted: list[int] = []
        begun = time.monotonic()
        sender = threading.Thread(
            target=lambda: counted.append(replay(wire, messages, times_s, speed=40.0))  # type: ignore[arg-type]
        )
        sender.start()
        data = b""
        while len(data) < len(b"".join(messages)) and time.monotonic() < begun + 5.0:
            data += port.read(4096)
        sender.join()
        took_s = time.monotonic() - begun
    assert data == b"".join(messages)
    assert counted == [240]
    assert 0.29 < took_s < 1.5


def test_spoiled_bytes_come_in_the_share_asked_for() -> None:
    faults = WireFaults(torn=0.3, doubled=0.1, seed=3)
    dice = faults.dice()
    pieces = [spoil(b"+   1.234mm \r\n", faults, dice) for _ in range(2000)]
    doubled = sum(b"".join(parts) == b"+   1.234mm \r\n" * 2 for parts in pieces)
    assert doubled == pytest.approx(200, abs=60)
    assert sum(len(parts) > 1 for parts in pieces) == pytest.approx(2000 * 0.37, abs=100)
    flips = WireFaults(flipped=1.0)
    for _ in range(50):
        (spoiled,) = spoil(b"abc", flips, dice)
        assert sum((a ^ b).bit_count() for a, b in zip(spoiled, b"abc", strict=True)) == 1
    assert len(b"".join(spoil(b"abcdef", WireFaults(cut=1.0), dice))) < 6
    assert b"".join(spoil(b"abc", WireFaults(garbage=1.0), dice)).endswith(b"abc")


def test_an_indicator_is_kept_alive_and_says_what_the_hand_does() -> None:
    clock = SteppedClock()
    lines = list(run("worn-bearing", clock=clock, rounds=1, rest_s=2.0))
    assert lines[0].startswith("worn bearing: indicator 'bench' speaks at ")
    assert lines[1:] == [
        "at rest for 2 s",
        "3 strokes: pushed in, pulled out",
        "at rest for 2 s",
        "turned 3.3 turns, ordinary hand",
    ]


def test_a_bench_on_a_clock_gives_what_is_due_and_never_stops() -> None:
    clock = SteppedClock()
    bench = SimulatedBench(build("sound-hub", 2), 2, clock)
    clock.advance(1.0)
    assert len(bench.due()) == pytest.approx(50, abs=1)
    assert len(bench.due()) == 0
    deed = bench.do(Rest(3.0))
    assert deed.starts_s == pytest.approx(1.0)
    clock.advance(5.0)
    assert len(bench.due()) == pytest.approx(250, abs=1)
