"""Bluetooth peripherals in reach, on a simulated air, with what they offer."""

from __future__ import annotations

import pytest

pytest.importorskip("bumble", reason="the extra 'simulator' is not installed")

from capture.finding import find_peripherals, shown_form
from config.clock import SystemClock
from config.errors import LinkError
from config.indicators import load_indicators
from simulators.bench import SimulatedBench
from simulators.bluetooth import Air
from simulators.gatt import ADDRESS, NAME, Pacing, table_for
from simulators.scenarios import build

FORM = "5d1f0a0{}-2b6c-4b7e-9f3a-6a1c0e5d7b42"


async def test_a_peripheral_with_what_it_offers_and_an_air_without_any() -> None:
    clock = SystemClock()
    async with Air(clock) as air:
        assert await find_peripherals(seconds=0.2, air=air) == ()
        bench = SimulatedBench(build("sound-hub", 1), 1, clock)
        await air.put(table_for(), bench, Pacing(0.015))
        (found,) = await find_peripherals(load_indicators(), seconds=0.4, look_into=True, air=air)
        assert (found.address, found.name) == (ADDRESS, NAME)
        assert found.services == (FORM.format(0),)
        assert found.described_as == "bench-bluetooth"
        assert found.offers is not None
        # sint32, 10^-6, metre: the descriptor's bytes are 10 FA 01 27 01 00 00
        assert {offer.characteristic: offer.form for offer in found.offers} == {
            FORM.format(1): "format 0x10, 10^-6 metre",
            FORM.format(2): None,
            FORM.format(3): None,
        }
        await air.power(False)
        with pytest.raises(LinkError, match="Bluetooth is off"):
            await find_peripherals(seconds=0.2, air=air)


def test_a_descriptor_in_words() -> None:
    """0x27A2 is inch, 0x2701 metre (Bluetooth SIG, Assigned Numbers)."""
    assert shown_form(bytes.fromhex("10FBA227010000")) == "format 0x10, 10^-5 inch"
    assert shown_form(bytes.fromhex("0E000027010000")) == "format 0x0E, 10^0 unit 0x2700"
    assert shown_form(b"") is None
