"""Supervision: connecting again, noticing silence, telling gaps; on a clock that the test moves."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from capture.supervisor import BUNCHED, FAULTS_KEPT, LONGEST_WAIT_S, Supervisor
from config.errors import LinkError
from config.indicators import Indicator
from tests.capture.helpers import Heard, ManualClock, ScriptedLink, indicator, line, settle

POLLED = {
    "kind": "polled",
    "pattern": r"(?P<value>[+-]?\d+\.\d+)",
    "unit": "mm",
    "terminator": "\n",
    "query": "MEAS?",
    "pause_s": 0.05,
    "answer_within_s": 0.3,
}


class Scene:
    """A supervised indicator whose links the test makes."""

    def __init__(self, described: Indicator | None = None, jitter: float = 1.0) -> None:
        self.clock = ManualClock()
        self.heard = Heard()
        self.links: list[ScriptedLink] = []
        self.make: Callable[[], ScriptedLink] = lambda: ScriptedLink(self.clock)
        self.supervisor = Supervisor(
            described or indicator(), self.clock, self.heard, self._open, jitter=lambda: jitter
        )

    def _open(self, _: Indicator, __: object) -> ScriptedLink:
        self.links.append(self.make())
        return self.links[-1]

    @property
    def states(self) -> list[str]:
        names = [state.state for state in self.heard.states]
        return [name for i, name in enumerate(names) if i == 0 or names[i - 1] != name]

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        task = asyncio.create_task(self.supervisor.run())
        await self.clock.run_for(0.1)
        try:
            yield
        finally:
            task.cancel()
            await asyncio.wait([task])
            assert all(link.closed for link in self.links)


async def test_readings_make_it_live() -> None:
    scene = Scene()
    async with scene.running():
        scene.links[0].send(line(1_000) + line(2_000))
        await settle()
        assert [reading.length_nm for reading in scene.heard.readings] == [1_000, 2_000]
        assert scene.states == ["connecting", "live"]


async def test_silence_is_shown_within_a_second_and_ends_as_a_told_gap() -> None:
    scene = Scene()
    async with scene.running():
        scene.links[0].send(line(1_000))
        await scene.clock.run_for(1.0)
        assert scene.states[-1] == "stale"
        await scene.clock.run_for(2.0)
        scene.links[0].send(line(2_000))
        await settle()
        assert scene.states[-1] == "live"
        codes = [code for _, code, _ in scene.heard.events]
        assert codes == ["silent", "gap"]
        assert "no reading for 3.00 s" in scene.heard.events[-1][2]
        assert [reading.flag for reading in scene.heard.readings] == [
            None,
            "first after 3.0 s without readings",
        ]


async def test_a_drop_is_a_gap_and_the_return_is_found_within_two_seconds() -> None:
    scene = Scene()
    async with scene.running():
        scene.links[0].send(line(1_000))
        await settle()
        gone = LinkError("no such port", where="scripted")
        scene.make = lambda: ScriptedLink(scene.clock, gone)
        scene.links[0].drop()
        await scene.clock.run_for(30.0)
        assert scene.states[-1] == "lost"
        scene.make = lambda: ScriptedLink(scene.clock)
        await scene.clock.run_for(2.0)
        scene.links[-1].send(line(2_000))
        await settle()
        assert scene.states[-1] == "live"
        assert [code for _, code, _ in scene.heard.events] == ["lost", "gap"]
        assert scene.supervisor.state.reconnects == 1


async def test_what_waited_while_the_station_stood_still_has_no_known_time() -> None:
    """As SIGSTOP, a swapping computer or a closed lid does: bytes go on arriving, nobody reads the clock."""
    scene = Scene()
    async with scene.running():
        for _ in range(10):
            scene.links[0].send(line(1_000))
            await scene.clock.run_for(0.1)
        scene.clock.stand_still(3.0)
        scene.links[0].send(b"".join(line(1_000 * n) for n in range(2, 20)))
        await scene.clock.run_for(0.1)
        scene.links[0].send(line(1_000))
        await scene.clock.run_for(1.0)
        assert [code for _, code, _ in scene.heard.events] == ["held_up", "gap", "silent"]
        assert "the station itself stood still for 3." in scene.heard.events[1][2]
        flags = [reading.flag for reading in scene.heard.readings]
        assert flags[:10] == [None] * 10
        assert flags[10] is not None
        assert "without readings" in flags[10]
        assert flags[11:] == [BUNCHED] * 17 + [None]


async def test_a_flood_of_what_cannot_be_read_is_counted_and_not_kept() -> None:
    """Ten thousand lines a second at a wrong baud rate would fill a disk in a night."""
    scene = Scene()
    async with scene.running():
        for _ in range(30):
            scene.links[0].send(b"\x80\x81\x82\r\n" * 1_000)
            await scene.clock.run_for(0.1)
        assert len(scene.heard.faults) <= 4 * FAULTS_KEPT
        assert scene.supervisor.state.unreadable > 5_000
        assert [code for _, code, _ in scene.heard.events] == ["unreadable_many"]


async def test_attempts_slow_down_but_never_past_the_longest_wait() -> None:
    scene = Scene()
    scene.make = lambda: ScriptedLink(scene.clock, LinkError("no such port"))
    async with scene.running():
        await scene.clock.run_for(60.0)
        assert 60 / LONGEST_WAIT_S <= len(scene.links) <= 60 / LONGEST_WAIT_S + 5


async def test_waits_are_jittered_so_that_stations_do_not_knock_in_step() -> None:
    attempts = []
    for jitter in (0.0, 0.5, 1.0):
        scene = Scene(jitter=jitter)
        scene.make = lambda scene=scene: ScriptedLink(scene.clock, LinkError("no such port"))
        async with scene.running():
            await scene.clock.run_for(30.0)
            attempts.append(len(scene.links))
    assert attempts[0] > attempts[1] > attempts[2]


async def test_the_battery_is_shown_and_a_low_one_is_told_once() -> None:
    scene = Scene()
    async with scene.running():
        (link,) = scene.links
        for percent in (80, 80, 10, 9, 8):
            link.battery = percent
            link.send(line(1_000))
            await scene.clock.run_for(0.3)
        assert scene.supervisor.state.battery == 8
        assert [state.battery for state in scene.heard.states][-4:] == [80, 10, 9, 8]
        assert [(code, text) for _, code, text in scene.heard.events] == [("battery_low", "battery at 10 %")]


async def test_garbage_is_told_with_what_to_check() -> None:
    scene = Scene()
    async with scene.running():
        for _ in range(10):
            scene.links[0].send(b"\x80\x81\x82\r\n")
            await scene.clock.run_for(0.2)
        state = scene.supervisor.state
        assert state.state == "stale"
        assert state.why is not None
        assert "baud rate" in state.why
        assert scene.heard.readings == []
        assert {fault.code for fault in scene.heard.faults} == {"unreadable"}


async def test_half_a_line_before_a_drop_is_never_joined_to_one_after_it() -> None:
    scene = Scene()
    async with scene.running():
        scene.links[0].send(line(1_000) + line(123_000)[:8])
        await settle()
        scene.links[0].drop()
        await scene.clock.run_for(1.0)
        scene.links[-1].send(line(456_000)[8:] + line(2_000))
        await settle()
        assert [reading.length_nm for reading in scene.heard.readings] == [1_000, 2_000]


async def test_a_slow_indicator_is_given_its_periods() -> None:
    scene = Scene(indicator(rate_hz=0.5))
    async with scene.running():
        scene.links[0].send(line(1_000))
        await scene.clock.run_for(5.0)
        assert scene.states[-1] == "live"
        await scene.clock.run_for(1.5)
        assert scene.states[-1] == "stale"


async def test_a_polled_indicator_is_asked_again_and_again() -> None:
    scene = Scene(indicator(form=POLLED))

    def make() -> ScriptedLink:
        link = ScriptedLink(scene.clock)
        link.answer = lambda query: b"1.250\n" if query == b"MEAS?\n" else None
        return link

    scene.make = make
    async with scene.running():
        await scene.clock.run_for(1.0)
        assert {reading.length_nm for reading in scene.heard.readings} == {1_250_000}
        assert 20 <= len(scene.heard.readings) <= 23  # one each 0.05 s


async def test_who_answers_is_asked_once() -> None:
    # IEEE 488.2: *IDN? is answered by four fields with commas between.
    scene = Scene(indicator(form={**POLLED, "identify": "*IDN?"}))
    answers = {b"*IDN?\n": b"INVENTED,GAUGE,0001,1.0\n", b"MEAS?\n": b"1.250\n"}

    def make() -> ScriptedLink:
        link = ScriptedLink(scene.clock)
        link.answer = answers.get
        return link

    scene.make = make
    async with scene.running():
        await scene.clock.run_for(0.2)
        assert scene.supervisor.state.identity == "INVENTED,GAUGE,0001,1.0"
        assert scene.heard.faults == []
        assert scene.links[0].written.count(b"*IDN?\n") == 1


async def test_a_question_without_an_answer_is_asked_again() -> None:
    scene = Scene(indicator(form={**POLLED, "answer_within_s": 0.02}))
    async with scene.running():
        await asyncio.sleep(0.1)  # the answer is waited for on the loop's own clock
        await scene.clock.run_for(1.0)
        assert len(scene.links[0].written) > 2
        assert scene.states[-1] == "stale"


@pytest.mark.parametrize("drops", [200])
async def test_many_drops_leave_nothing_behind(drops: int) -> None:
    scene = Scene()
    async with scene.running():
        before = len(asyncio.all_tasks())
        for _ in range(drops):
            scene.links[-1].send(line(1_000) * 2)
            await settle()
            scene.links[-1].drop()
            await scene.clock.run_for(2.0)
        assert len(asyncio.all_tasks()) == before
        assert all(link.closed for link in scene.links[:-1])
        assert scene.supervisor.state.reconnects == drops
