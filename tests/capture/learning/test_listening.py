"""Learning simulated indicators over their wires: what is learned reads what was sent."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from capture.learning.confirm import Learned
from capture.learning.listening import learn_serial
from config.errors import InputError, LinkError
from config.indicators import FramesFormat, Indicator, LinesFormat, PolledFormat, load_indicators
from simulators.indicator import Readings
from simulators.serial_port import VirtualSerialPort
from tests.capture.levels import Levels
from tests.capture.lockstep import LockstepClock

SHIPPED = {each.name: each for each in load_indicators()}


class Inches(Levels):
    """The same plunger, read in steps of 0.0005 in."""

    def due(self) -> Readings:
        read = super().due()
        steps = (read.length_nm + 6_350) // 12_700
        return Readings(read.time_s, steps * 12_700, read.inch | True, read.status)


class Bench:
    """A simulated indicator at a wire, and a hand that sets the known length when it is asked for."""

    def __init__(self, described: Indicator, wire: str = "pty", kind: type[Levels] = Levels) -> None:
        self.clock = LockstepClock()
        self.plunger = kind(self.clock, 0.0)
        self.port = VirtualSerialPort(described, self.plunger, self.clock, wire=wire)
        self.said: list[str] = []
        self.sets_um = 1_000.0

    def say(self, text: str) -> None:
        self.said.append(text)
        if text.startswith("Now set "):
            self.plunger.move_to(self.sets_um)

    async def learn(self, **more: Any) -> tuple[dict[str, Any], Learned]:
        with self.port as port:
            link = {"kind": "serial", "port": port.url}
            given: dict[str, Any] = {"known_nm": 1_000_000, "bauds": (9600,), **more}
            learning = asyncio.create_task(learn_serial(link, self.say, self.clock, **given))
            steps = 0
            while not learning.done():  # a reading's time at once, then whoever waited goes on
                steps += 1
                self.clock.stand_at(steps * 0.02 + 1e-6)
                for _ in range(500):
                    if self.plunger.sent >= steps:
                        break
                    await asyncio.sleep(0.001)
                await asyncio.sleep(0.003)
            return learning.result()


async def test_lines_that_name_their_unit() -> None:
    bench = Bench(SHIPPED["bench"])
    link, learned = await bench.learn()
    form = LinesFormat.model_validate(learned.form)
    assert (link["baud"], form.terminator, form.sign) == (9600, "\r\n", 1)
    assert form.units == {"mm": "mm", "in": "in"}
    assert learned.confirmed
    assert learned.resolution_nm == 1_000
    assert learned.rate_hz == pytest.approx(50, rel=0.05)
    assert any(text.strip().startswith("+ ") for text in bench.said)


async def test_bare_numbers_over_a_network_port_are_inches_when_a_millimetre_shows_so() -> None:
    _, learned = await Bench(SHIPPED["bench-inch"], "socket", Inches).learn()
    assert learned.form["unit"] == "in"
    assert learned.resolution_nm == 12_700


async def test_a_silent_one_is_asked_who_it_is_and_polled() -> None:
    bench = Bench(SHIPPED["bench-polled"])
    _, learned = await bench.learn()
    form = PolledFormat.model_validate(learned.form)
    assert (form.query, form.identify, form.unit) == ("MEAS?", "*IDN?", "mm")
    assert any("INVENTED WORKSHOP,BENCH INDICATOR" in text for text in bench.said)


async def test_binary_frames() -> None:
    _, learned = await Bench(SHIPPED["bench-frames"]).learn()
    form = FramesFormat.model_validate(learned.form)
    assert (form.size, form.check, form.step) == (9, "crc16-ccitt", 1_000)
    assert learned.resolution_nm == 1_000


async def test_a_plunger_that_counts_the_other_way_gets_its_sign() -> None:
    bench = Bench(SHIPPED["bench"])
    bench.sets_um = -1_000.0
    _, learned = await bench.learn()
    assert learned.form["sign"] == -1


async def test_another_length_than_the_known_one_is_refused() -> None:
    bench = Bench(SHIPPED["bench"])
    bench.sets_um = 2_000.0
    with pytest.raises(InputError, match=r"moved by 2\.000 mm where 1\.0000 mm was set"):
        await bench.learn()


async def test_without_a_known_length_only_what_names_its_unit_is_taken() -> None:
    _, learned = await Bench(SHIPPED["bench"]).learn(known_nm=None)
    assert not learned.confirmed
    with pytest.raises(InputError, match="the lines name no unit"):
        await Bench(SHIPPED["bench-inch"], kind=Inches).learn(known_nm=None)


async def test_nobody_there_is_told() -> None:
    with pytest.raises(LinkError, match="no such port"):
        await learn_serial({"kind": "serial", "port": "/dev/no-such"}, print, LockstepClock())
