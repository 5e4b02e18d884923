"""Learning a Bluetooth indicator on a simulated air, in each of the three forms it can speak."""

from __future__ import annotations

import pytest

pytest.importorskip("bumble", reason="the extra 'simulator' is not installed")

from capture.learning.confirm import Learned
from capture.learning.radio import learn_bluetooth
from config.clock import SystemClock
from config.errors import LinkError
from config.indicators import load_indicators
from simulators.bluetooth import Air
from simulators.gatt import ADDRESS, Pacing, table_for
from tests.capture.fast_clock import FastClock
from tests.capture.levels import Levels

FORM = "5d1f0a0{}-2b6c-4b7e-9f3a-6a1c0e5d7b42"
SHIPPED = {each.format.kind: each for each in load_indicators() if each.format.kind.startswith("gatt")}


async def learn(kinds: list[str], **more: object) -> Learned:
    clock = FastClock(2.5)
    plunger = Levels(clock)

    def say(text: str) -> None:
        if text.startswith("Now set "):
            plunger.move_to(1_000.0)

    async with Air(clock) as air:
        await air.put(table_for([SHIPPED[kind] for kind in kinds]), plunger, Pacing(0.015))
        link, learned = await learn_bluetooth(
            ADDRESS, say, clock, known_nm=1_000_000, listen_s=1.2, air=air, **more
        )  # type: ignore[arg-type]
    assert link == {"kind": "bluetooth", "address": ADDRESS}
    assert learned.confirmed
    assert learned.resolution_nm == 1_000
    return learned


async def test_what_says_itself_that_it_is_a_length_comes_first() -> None:
    learned = await learn(["gatt-lines", "gatt"])
    assert (learned.form["kind"], learned.form["characteristic"]) == ("gatt", FORM.format(1))


async def test_frames_whose_layout_nobody_tells() -> None:
    learned = await learn(["gatt-frames"])
    assert learned.form["kind"] == "gatt-frames"
    assert (learned.form["size"], learned.form["check"], learned.form["step"]) == (6, "crc8", "1000 nm")


async def test_lines_torn_across_notifications() -> None:
    learned = await learn(["gatt-lines"])
    assert learned.form["kind"] == "gatt-lines"
    assert learned.form["units"] == {"mm": "mm", "in": "in"}


async def test_one_that_is_not_in_reach(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capture.learning.radio.SCAN_S", 0.2)
    async with Air(SystemClock()) as air:
        with pytest.raises(LinkError, match="not in reach"):
            await learn_bluetooth(ADDRESS, print, SystemClock(), air=air)
