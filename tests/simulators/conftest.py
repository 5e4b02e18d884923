"""Fixtures of the simulated Bluetooth."""

from __future__ import annotations

import pytest

from config.clock import SystemClock
from simulators.bench import SimulatedBench
from simulators.scenarios import build


@pytest.fixture
def bench() -> SimulatedBench:
    return SimulatedBench(build("sound-hub", 1), 1, SystemClock())
