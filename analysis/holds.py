"""Which rest levels are pushes and which are pulls, found from the levels alone.

A trace of strokes goes between two groups of levels. Between them the hands may let go, and the hub goes
to a level of its own; a stroke may fall short; before the first and after the last stroke the hub rests
wherever it was left. The line that separates the groups is the one which the levels cross most often in
full strides; on each visit to a side the level that reached furthest is the hold.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.levels import RestLevel

FULL_STRIDE = 0.7
"""A stride between two holds counts as full from this part of the median stride on."""
SAME_HOLD = 0.04
"""Levels of one visit that differ by less than this part of the median stride belong to one hold."""


@dataclass(frozen=True, slots=True)
class Hold:
    """The hub held at one end of its play. `rests` are the stretches that make up the hold."""

    pulled: bool
    rests: tuple[RestLevel, ...]

    @property
    def count(self) -> int:
        """Readings in it."""
        return sum(rest.count for rest in self.rests)

    @property
    def level_um(self) -> float:
        """Mean of its readings."""
        return sum(rest.level_um * rest.count for rest in self.rests) / self.count

    @property
    def middle_s(self) -> float:
        """Mean time of its readings, taken as evenly spread in each stretch."""
        return sum(0.5 * (rest.start_s + rest.end_s) * rest.count for rest in self.rests) / self.count

    @property
    def creep_um(self) -> float:
        """How far it gave way under the hand while held, positive in the direction of the hand."""
        first, last = self.rests[0], self.rests[-1]
        moved = (last.level_um + 0.5 * last.creep_um) - (first.level_um - 0.5 * first.creep_um)
        return moved if self.pulled else -moved


@dataclass(frozen=True, slots=True)
class Holds:
    """Alternating pushes and pulls in order of time, and how many visits were set aside as too short."""

    holds: tuple[Hold, ...]
    short: int

    def strides_um(self) -> tuple[float, ...]:
        """Distance between each hold and the next."""
        return _strides(self.holds)


def find_holds(rests: Sequence[RestLevel], noise_um: float, step_um: float) -> Holds:
    """Pushes and pulls among the rests of a trace; fewer than two holds when only one level was seen.

    Args:
        rests: in order of time.
        noise_um: standard deviation of one reading.
        step_um: the indicator's step; levels closer than the two allow are one level.
    """
    levels = np.unique([rest.level_um for rest in rests])
    apart_um = max(3.0 * noise_um, 0.6 * step_um)
    lines = [0.5 * (low + high) for low, high in itertools.pairwise(levels) if high - low > apart_um]
    if not lines:
        return Holds((), 0)
    candidates = [_split(rests, line, noise_um, step_um) for line in lines]
    return max(candidates, key=_worth)


def _worth(found: Holds) -> tuple[bool, float, int]:
    """Repeated strides first, then how many and how wide together, then the fewest set aside."""
    strides = found.strides_um()
    if not strides:
        return False, 0.0, 0
    return len(strides) >= 3, len(strides) * float(np.median(strides)), -found.short


def _split(rests: Sequence[RestLevel], line_um: float, noise_um: float, step_um: float) -> Holds:
    visits = [
        Hold(bool(pulled), tuple(group))
        for pulled, group in itertools.groupby(rests, key=lambda rest: rest.level_um > line_um)
    ]
    furthest = [_furthest(visit, 0.0) for visit in visits]
    stride_um = float(np.median(_strides(furthest)))
    same_um = max(SAME_HOLD * stride_um, 2.5 * noise_um)
    # Two steps may separate equal strides by quantisation alone, so they never make one short.
    short_um = min(FULL_STRIDE * stride_um, stride_um - 2.2 * step_um - 6.0 * noise_um)
    holds = [_furthest(visit, same_um) for visit in visits]
    return Holds(*_without_short(holds, short_um))


def _furthest(visit: Hold, same_um: float) -> Hold:
    """The stretches of a visit that lie within `same_um` of the one that reached furthest."""
    sign = 1.0 if visit.pulled else -1.0
    edge = max(sign * rest.level_um for rest in visit.rests)
    return replace(visit, rests=tuple(rest for rest in visit.rests if sign * rest.level_um >= edge - same_um))


def _strides(holds: Sequence[Hold]) -> tuple[float, ...]:
    return tuple(abs(after.level_um - before.level_um) for before, after in itertools.pairwise(holds))


def _without_short(holds: list[Hold], short_um: float) -> tuple[tuple[Hold, ...], int]:
    """Take out visits that fell short of both neighbours, one by one, the shortest first."""
    left, removed = list(holds), 0
    while len(left) > 2:
        strides = _strides(left)
        reach = [max(strides[max(0, k - 1) : k + 1]) for k in range(len(left))]
        worst = int(np.argmin(reach))
        if reach[worst] >= short_um:
            break
        removed += 1
        left = _close_gap(left, worst)
    return tuple(left), removed


def _close_gap(holds: list[Hold], gone: int) -> list[Hold]:
    """Take out one hold; its two neighbours on the same side become one, the further one of the two."""
    before, after = holds[:gone], holds[gone + 1 :]
    if not before or not after:
        return before + after
    sign = 1.0 if before[-1].pulled else -1.0
    further = max(before[-1], after[0], key=lambda hold: sign * hold.level_um)
    return [*before[:-1], further, *after[1:]]
