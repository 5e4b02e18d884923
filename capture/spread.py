"""How long things take, counted in steps: what the figures of a station show without keeping every one."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

EDGES_S = (
    *(0.0002, 0.0005, 0.001, 0.002, 0.003, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.05),
    *(0.075, 0.1, 0.125, 0.15, 0.2, 0.25, 0.5, 1.0, 2.5, 10.0, 60.0),
)
"""Upper edges of the steps, seconds; what takes longer is counted above the last."""

_EDGES_NS = tuple(round(edge * 1e9) for edge in EDGES_S)


@dataclass(frozen=True, slots=True)
class SpreadState:
    """Figures as of one moment.

    Attributes:
        counts: one for each of `EDGES_S`, not cumulative, and one above the last.
        sum_s: all of them together, seconds.
        largest_s: seconds.
    """

    counts: tuple[int, ...]
    sum_s: float
    largest_s: float

    @property
    def count(self) -> int:
        """How many were counted."""
        return sum(self.counts)

    def at_most_s(self, share: float) -> float:
        """Upper edge of the step below which `share` of all lie, seconds; 0 when there are none."""
        wanted, seen = share * self.count, 0
        for count, edge_s in zip(self.counts, (*EDGES_S, self.largest_s), strict=True):
            seen += count
            if count and seen >= wanted:
                return min(edge_s, self.largest_s)
        return 0.0


class Spread:
    """Counts durations; used from one thread at a time, read from any."""

    def __init__(self) -> None:
        self._counts = [0] * (len(EDGES_S) + 1)
        self._sum_ns = self._largest_ns = 0

    def add(self, took_ns: int, times: int = 1) -> None:
        """Count a duration in nanoseconds."""
        self._counts[bisect_left(_EDGES_NS, took_ns)] += times
        self._sum_ns += took_ns * times
        self._largest_ns = max(self._largest_ns, took_ns)

    @property
    def state(self) -> SpreadState:
        """Figures as of now."""
        return SpreadState(tuple(self._counts), self._sum_ns / 1e9, self._largest_ns / 1e9)
