"""Sees when the time of day and the station's clock no longer agree: it was set, or the computer slept."""

from __future__ import annotations

from collections.abc import Callable

from config.clock import NS_PER_S, Clock

LOOK_S = 0.5
LEAST_S = 1.0
"""A smaller step changes no record: times of day are there to tell the hour, never to measure with."""

CLOCK_STEPPED = "clock_stepped"


class ClockWatch:
    """Compares the two clocks at each look. What a time server slews (0.05 % at most) is no step.

    Args:
        clock: the station's clock.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._ahead_s = self._ahead()

    def look(self) -> float | None:
        """By how many seconds the time of day has stepped since the last look; None when it has not.

        Positive is forwards: the clock was set, or the computer slept meanwhile, for while it sleeps the
        station's own clock stands still.
        """
        before_s, self._ahead_s = self._ahead_s, self._ahead()
        step_s = self._ahead_s - before_s
        return step_s if abs(step_s) >= LEAST_S else None

    def _ahead(self) -> float:
        return self._clock.utc().timestamp() - self._clock.monotonic_ns() / NS_PER_S


async def follow_clock(clock: Clock, stepped: Callable[[str], None]) -> None:
    """Look again and again, until cancelled; `stepped` is told a sentence about each step."""
    watch = ClockWatch(clock)
    while True:
        await clock.sleep(LOOK_S)
        step_s = watch.look()
        if step_s is not None:
            stepped(told(step_s))


def told(step_s: float) -> str:
    """One sentence about a step."""
    if step_s < 0:
        return f"the time of day was set back by {-step_s:.1f} s; durations and turns are not touched by it"
    return (
        f"the time of day went forward by {step_s:.1f} s: it was set, or the computer slept; "
        "durations and turns are not touched, but what moved during a sleep was not read"
    )
