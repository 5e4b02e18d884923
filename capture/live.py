"""Readings for those who watch: gathered into at most 50 messages a second for each indicator."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

from capture.fanout import Fanout
from capture.messages import Readings
from capture.reading import Reading
from config.clock import NS_PER_S, Clock

PACE_S = 0.02
EARLY_S = 0.01
"""So much before its time a message may come: counted from the message before, each lateness would be added
to the next, and an indicator of 50 readings a second be held up by 20 ms before two shared a message."""
MOST_IN_A_MESSAGE = 1_000
"""A watcher needs no more in 20 ms; the record has them all."""


@dataclass(slots=True)
class _Waiting:
    run: str | None
    readings: list[Reading] = field(default_factory=list)


class LiveReadings:
    """Gathers readings and publishes them: the first at once, then on average one message each 20 ms."""

    def __init__(self, fanout: Fanout, clock: Clock) -> None:
        self._fanout = fanout
        self._clock = clock
        self._waiting: dict[str, _Waiting] = {}
        self._fresh = asyncio.Event()

    def add(self, indicator: str, run: str | None, readings: list[Reading]) -> None:
        """New readings; without listeners nothing is kept."""
        if not len(self._fanout):
            return
        waiting = self._waiting.get(indicator)
        if waiting is None or waiting.run != run or waiting.readings[-1].unit != readings[0].unit:
            if waiting is not None:
                self._publish(indicator, waiting)
            waiting = self._waiting[indicator] = _Waiting(run)
        waiting.readings.extend(readings[-MOST_IN_A_MESSAGE:])
        self._fresh.set()

    async def run(self) -> None:
        """Publish until cancelled."""
        due_s = 0.0
        while True:
            await self._fresh.wait()
            self._fresh.clear()
            waiting, self._waiting = self._waiting, {}
            for indicator, some in waiting.items():
                self._publish(indicator, some)
            now_s = self._clock.monotonic_ns() / NS_PER_S
            due_s = max(due_s, now_s - EARLY_S) + PACE_S
            await self._clock.sleep(max(0.0, due_s - now_s))

    def _publish(self, indicator: str, waiting: _Waiting) -> None:
        readings = waiting.readings[-MOST_IN_A_MESSAGE:]
        self._fanout.publish(
            Readings(
                indicator=indicator,
                run=waiting.run,
                t_ns=[reading.t_ns for reading in readings],
                length_nm=[reading.length_nm for reading in readings],
                unit=readings[-1].unit,
                flags={i: reading.flag for i, reading in enumerate(readings) if reading.flag},
            )
        )
