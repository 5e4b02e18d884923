"""A source for a simulated indicator on a wire: it rests where a hand puts it, flickering by one step."""

from __future__ import annotations

import numpy as np

from config.clock import NS_PER_S, Clock
from simulators.indicator import STATUSES, Readings, Status

LIFT_S = 0.12
LIFT_UM = 700.0


class Levels:
    """Readings of a plunger that rests until `move_to`; on the way it is lifted, as over a gauge block.

    `status` and `inch` are what the indicator's own keys set.
    """

    def __init__(self, clock: Clock, level_um: float = 0.0, *, rate_hz: float = 50.0) -> None:
        self.status: Status = ""
        self.inch = False
        self._clock, self._rate, self._level_um = clock, rate_hz, level_um
        self._start_ns = clock.monotonic_ns()
        self._moved_s = -1.0
        self.sent = 0

    def move_to(self, level_um: float) -> None:
        self._moved_s, self._level_um = self.now_s, level_um

    @property
    def now_s(self) -> float:
        return (self._clock.monotonic_ns() - self._start_ns) / NS_PER_S

    def next_s(self) -> float:
        return (self.sent + 1) / self._rate

    def due(self) -> Readings:
        until = int(self.now_s * self._rate)
        numbers = np.arange(self.sent + 1, until + 1)
        self.sent = max(self.sent, until)
        times = numbers / self._rate
        step = 1_270 if self.inch else 1_000
        lifted = np.clip(1.0 - np.abs(times - self._moved_s - LIFT_S / 2) / (LIFT_S / 2), 0.0, 1.0)
        moved_um = self._level_um + LIFT_UM * lifted
        length = np.rint(moved_um * 1000 / step).astype(np.int64) * step + step * (numbers % 3 == 0)
        status = np.full(times.size, STATUSES.index(self.status), dtype=np.int8)
        return Readings(times, length, np.full(times.size, self.inch), status)
