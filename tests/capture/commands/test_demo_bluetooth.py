"""``hubproof demo --bluetooth``: both sides in one process, and what is said without the Bluetooth stack."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import pytest

from capture.commands import run
from capture.commands.demo import _over_bluetooth, command
from config.clock import SystemClock
from config.indicators import indicator_named, load_indicators
from simulators.bench import SimulatedBench
from simulators.scenarios import build


def test_without_the_bluetooth_stack_one_line_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "bumble", None)
    monkeypatch.delitem(sys.modules, "simulators.bluetooth", raising=False)
    assert run(["demo", "--bluetooth", "--out", str(tmp_path)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "simulated Bluetooth is not installed (bumble is missing)" in line
    assert "pip install 'hubproof[simulator]'" in line


def test_the_demo_needs_no_bluetooth_unless_asked() -> None:
    assert command.make_context("demo", []).params["bluetooth"] is False


async def test_the_indicator_is_live_over_bluetooth(tmp_path: Path) -> None:
    pytest.importorskip("bumble", reason="the extra 'simulator' is not installed")
    indicator = indicator_named("bench-bluetooth", load_indicators())
    bench = SimulatedBench(build("sound-hub", 1, indicator), 1, SystemClock())
    async with _over_bluetooth(tmp_path, indicator, bench) as (station, where):
        assert "F0:0D:00:00:00:01" in where
        async with asyncio.timeout(30):
            while (state := (await station.indicators())[0]).state != "live" or state.battery is None:
                await asyncio.sleep(0.02)
    assert state.simulated
    assert state.battery == 77
