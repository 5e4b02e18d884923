"""One recorded run over every wire says the same, reading for reading."""

from __future__ import annotations

import re
import time

import pytest
import serial

from config.clock import SteppedClock, SystemClock
from config.indicators import LinesFormat, indicator_named, load_indicators
from simulators.hand import Turn
from simulators.playback import Playback
from simulators.recording import Recording, record
from simulators.serial_port import VirtualSerialPort


@pytest.fixture(scope="module")
def recording() -> Recording:
    indicator = indicator_named("bench", load_indicators())
    return record("bent-flange", Turn(2.2, "gentle", turn_s=2.0), 6, indicator=indicator)


def test_every_reading_is_played_once_in_order_at_its_time(recording: Recording) -> None:
    clock = SteppedClock()
    playback = Playback(recording, clock, speed=10.0, after_s=1.0)
    lengths: list[int] = []
    while not playback.ended:
        assert not len(playback.due())
        clock.advance(playback.next_s() - playback.now_s + 1e-6)
        part = playback.due()
        assert abs(part.time_s[-1] - playback.now_s) < 1e-5
        lengths += part.length_nm.tolist()
    assert lengths == recording.length_nm.tolist()
    took_s = 1.0 + (recording.time_s[-1] - recording.time_s[0]) / 10.0
    assert playback.now_s == pytest.approx(took_s, abs=1e-3)


@pytest.mark.parametrize(("name", "wire"), [("bench", "auto"), ("bench", "socket"), ("bench-polled", "auto")])
def test_the_same_run_over_lines_socket_and_polling(recording: Recording, name: str, wire: str) -> None:
    indicator = indicator_named(name, load_indicators())
    form = indicator.format
    assert isinstance(form, LinesFormat)
    clock = SystemClock()
    playback = Playback(recording, clock, speed=10.0, after_s=0.3)
    end = form.terminator.encode()
    data = b""
    with (
        VirtualSerialPort(indicator, playback, clock, wire=wire, each_once=True) as virtual,
        serial.serial_for_url(virtual.url, timeout=0.2) as port,
    ):
        ends = time.monotonic() + 10.0
        while data.count(end) < len(recording) and time.monotonic() < ends:
            if name == "bench-polled":
                port.write(b"MEAS?\n")
                data += port.read_until(end)
            else:
                data += port.read(512)
    matches = [re.fullmatch(form.pattern, line.decode()) for line in data.split(end)[:-1]]
    values = [float(match["value"].replace(" ", "")) for match in matches if match]
    assert [round(value * 1_000_000) for value in values] == recording.length_nm.tolist()
