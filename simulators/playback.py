"""Recorded readings as a source that runs by a clock: the same run again, over any wire."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np

from config.clock import NS_PER_S, Clock
from simulators.indicator import Readings
from simulators.recording import Recording


class Source(Protocol):
    """Where an indicator on a wire has its readings from: a bench, or a recording."""

    @property
    def now_s(self) -> float:
        """Seconds since the source began, by its clock."""
        ...

    def next_s(self) -> float:
        """When the next reading is due; infinity when there is none."""
        ...

    def due(self) -> Readings:
        """The readings that have become due since the last call."""
        ...


class Playback:
    """Plays a recording, beginning now, or at `begin` when it is held.

    Args:
        recording: what to play; its readings come as they were, at their own times.
        clock: who paces it.
        speed: how many times faster than it was recorded.
        after_s: a pause before the first reading, for the other end to open.
        held: nothing is due before `begin`.
    """

    def __init__(
        self,
        recording: Recording,
        clock: Clock,
        *,
        speed: float = 1.0,
        after_s: float = 0.0,
        held: bool = False,
    ) -> None:
        self._recording = recording
        self._clock = clock
        self._held = held
        self._start_ns = clock.monotonic_ns()
        self._due_s = after_s + (recording.time_s - recording.time_s[0]) / speed
        self._played = 0

    def begin(self) -> None:
        """Begin now."""
        self._held = False
        self._start_ns = self._clock.monotonic_ns()

    @property
    def now_s(self) -> float:
        """See `Source`."""
        return 0.0 if self._held else (self._clock.monotonic_ns() - self._start_ns) / NS_PER_S

    def next_s(self) -> float:
        """See `Source`."""
        return math.inf if self.ended or self._held else float(self._due_s[self._played])

    @property
    def ended(self) -> bool:
        """Whether every reading was played."""
        return self._played >= len(self._recording)

    def due(self) -> Readings:
        """See `Source`."""
        until = 0 if self._held else int(np.searchsorted(self._due_s, self.now_s, side="right"))
        part = slice(self._played, until)
        self._played = max(self._played, until)
        times = self._due_s[part]
        return Readings(
            times,
            self._recording.length_nm[part],
            self._recording.inch[part],
            np.zeros(times.size, dtype=np.int8),
        )
