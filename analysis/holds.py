"""Which rest levels are pushes and which are pulls, found from the levels alone.

A trace of strokes goes between two groups of levels. Between them the hands may let go, and the hub goes
to a level of its own; a stroke may fall short; before the first and after the last stroke the hub rests
wherever it was left. The line that separates the groups is the one which the levels cross most often in
wide strides; on each visit to a side the level that reached furthest is the hold, and a visit that falls
short of the usual reach of its side is set aside.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.levels import RestLevel

SHORT_FRACTION = 0.08
"""A visit that falls short of its side's usual reach by more than this part of the stride is set aside."""
END_FRACTION = 0.03
"""The same for the first and the last visit, which may be no hold at all."""
MOST_LINES = 60
"""Separating lines that are tried: those in the widest gaps between levels."""


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
    def reach_um(self) -> float:
        """Its level, signed so that further is larger on both sides."""
        return self.level_um if self.pulled else -self.level_um

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

    def stride_um(self) -> float:
        """Usual distance between a hold and the next; 0 with fewer than two."""
        return float(np.median(_strides(self.holds))) if len(self.holds) > 1 else 0.0


def find_holds(rests: Sequence[RestLevel], noise_um: float, step_um: float) -> Holds:
    """Pushes and pulls among the rests of a trace; no hold at all when only one level was seen.

    Args:
        rests: in order of time.
        noise_um: standard deviation of one reading.
        step_um: the indicator's step; levels closer than noise or step allow are one level.
    """
    levels = np.unique([rest.level_um for rest in rests])
    gaps = np.diff(levels)
    widest = np.argsort(-gaps, kind="stable")[:MOST_LINES]
    found = [_split(rests, float(levels[k] + gaps[k] / 2.0), noise_um, step_um) for k in widest]
    best = max(found, key=_worth, default=Holds((), 0))
    return best if best.stride_um() > max(2.0 * noise_um, 0.6 * step_um) else Holds((), 0)


def _worth(found: Holds) -> tuple[bool, float, int]:
    """Repeated strides first, then how many and how wide together, then the fewest set aside."""
    strides = len(found.holds) - 1
    return strides >= 3, strides * found.stride_um(), -found.short


def _split(rests: Sequence[RestLevel], line_um: float, noise_um: float, step_um: float) -> Holds:
    visits = [
        Hold(bool(pulled), tuple(group))
        for pulled, group in itertools.groupby(rests, key=lambda rest: rest.level_um > line_um)
    ]
    holds = [_furthest(visit, max(1.5 * noise_um, 0.5 * step_um)) for visit in visits]
    stride_um = float(np.median(_strides(holds)))
    # Equal holds may differ by one step through rounding alone.
    inner_um = max(SHORT_FRACTION * stride_um, 1.2 * step_um + 2.0 * noise_um)
    ends_um = max(END_FRACTION * stride_um, 0.5 * step_um + 2.0 * noise_um)
    return Holds(*_without_short(holds, inner_um, ends_um))


def _furthest(visit: Hold, same_um: float) -> Hold:
    """The stretches of a visit that lie within `same_um` of the one that reached furthest."""
    sign = 1.0 if visit.pulled else -1.0
    edge = max(sign * rest.level_um for rest in visit.rests)
    return replace(visit, rests=tuple(rest for rest in visit.rests if sign * rest.level_um >= edge - same_um))


def _strides(holds: Sequence[Hold]) -> tuple[float, ...]:
    return tuple(abs(after.level_um - before.level_um) for before, after in itertools.pairwise(holds))


def _without_short(holds: list[Hold], inner_um: float, ends_um: float) -> tuple[tuple[Hold, ...], int]:
    """Take out visits that fell short of their side's usual reach, one by one, the shortest first.

    The first and the last visit may be the hub at rest where it was left, so they must fit more closely.
    """
    left, removed = list(holds), 0
    while len(left) > 2:
        usual = {pulled: _usual_reach(left, pulled) for pulled in (False, True)}
        allowed = [ends_um, *[inner_um] * (len(left) - 2), ends_um]
        lacking = [
            usual[hold.pulled] - hold.reach_um - most for hold, most in zip(left, allowed, strict=True)
        ]
        worst = int(np.argmax(lacking))
        if lacking[worst] <= 0.0:
            break
        removed += 1
        left = _close_gap(left, worst)
    return tuple(left), removed


def _usual_reach(holds: Sequence[Hold], pulled: bool) -> float:
    """The median reach of a side; of two, the further one: a visit can fall short but not reach too far."""
    reaches = sorted((hold.reach_um for hold in holds if hold.pulled is pulled), reverse=True)
    return reaches[(len(reaches) - 1) // 2]


def _close_gap(holds: list[Hold], gone: int) -> list[Hold]:
    """Take out one hold; its two neighbours on the other side become one, the further one of the two."""
    before, after = holds[:gone], holds[gone + 1 :]
    if not before or not after:
        return before + after
    further = max(before[-1], after[0], key=lambda hold: hold.reach_um)
    return [*before[:-1], further, *after[1:]]
