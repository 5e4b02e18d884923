"""Which rest levels are pushes and which are pulls, found from the levels alone.

A trace of strokes goes to and fro between two groups of levels. On the way the hands may let go, and the
hub goes to a level of its own; a stroke may fall short; before the first and after the last stroke the hub
rests wherever it was left; the holder may slip, which shifts both groups. So holds are turning points: the
highest and lowest levels between swings, with the swing's width chosen so that strides are many and wide.
What falls short of the usual stride is set aside, and a shift of all later levels taken off.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from analysis.levels import RestLevel

SHORT_FRACTION = 0.08
"""A visit that makes its strides shorter than usual by more than this part of one is set aside."""
END_FRACTION = 0.03
"""The same for the first and the last visit, which may be no hold at all."""
FEWEST_STRIDES = 4
"""With fewer strides a slip cannot be told from strokes that differ."""
HALF_STRIDE = 0.4
"""A level that swings back by more than this part of a stride without being a hold is told."""
ODD_STRIDE = 6.0
"""Robust standard deviations of the strides beyond which one of them may be a slip."""
SWINGS_TRIED = 16
"""Widths of a swing that are tried, from what noise hides to the whole travel."""


@dataclass(frozen=True, slots=True)
class Hold:
    """The hub held at one end of its play.

    Attributes:
        pulled: pulled out, else pushed in.
        rests: the stretches that make up the hold.
        slipped_um: by how much the readings had been shifted by then; taken off its level.
    """

    pulled: bool
    rests: tuple[RestLevel, ...]
    slipped_um: float = 0.0

    @property
    def count(self) -> int:
        """Readings in it."""
        return sum(rest.count for rest in self.rests)

    @property
    def level_um(self) -> float:
        """Mean of its readings, slips taken off."""
        return sum(rest.level_um * rest.count for rest in self.rests) / self.count - self.slipped_um

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
    """Alternating pushes and pulls in order of time.

    Attributes:
        holds: what is left to measure with.
        short: how many levels were set aside because they fell short of a push or a pull.
        short_inside: how many visits among these had a visit before and one after.
        visits: turning points that were found, those set aside included.
        slips_um: shifts of all later readings that were found and taken off.
    """

    holds: tuple[Hold, ...]
    short: int
    short_inside: int = 0
    visits: int = 0
    slips_um: tuple[float, ...] = ()

    @property
    def disagree(self) -> bool:
        """More was set aside than rests before and after and one weak hold in four explain."""
        return self.short_inside > len(self.holds) // 4 or 2 * len(self.holds) < self.visits


def find_holds(rests: Sequence[RestLevel], noise_um: float, step_um: float) -> Holds:
    """Pushes and pulls among the rests of a trace; no hold at all when only one level was seen.

    Args:
        rests: in order of time.
        noise_um: standard deviation of one reading.
        step_um: the indicator's step; levels closer than noise or step allow are one level.
    """
    levels = [rest.level_um for rest in rests]
    smallest_um = max(2.0 * noise_um, 0.6 * step_um)
    widest_um = float(np.ptp(levels)) if levels else 0.0
    if widest_um <= smallest_um:
        return Holds((), 0)
    swings = np.geomspace(smallest_um, widest_um, SWINGS_TRIED)
    turning = max((_turning_points(levels, float(swing)) for swing in swings), key=partial(_worth, levels))
    return _holds_at(rests, turning, noise_um, step_um)


def _turning_points(levels: Sequence[float], swing_um: float) -> list[int]:
    """Places of the alternating highest and lowest levels between which the level swings that far."""
    turning: list[int] = []
    low = high = 0
    rising: bool | None = None
    for k, level in enumerate(levels):
        if level > levels[high]:
            high = k
        if level < levels[low]:
            low = k
        if rising is not False and levels[high] - level >= swing_um:
            turning.append(high)
            rising, low = False, k
        elif rising is not True and level - levels[low] >= swing_um:
            turning.append(low)
            rising, high = True, k
    if rising is not None:
        turning.append(high if rising else low)
    return turning


def _worth(levels: Sequence[float], turning: Sequence[int]) -> tuple[bool, float]:
    """Repeated strides first, then how many and how wide; a fifth of them may be narrow."""
    if len(turning) < 2:
        return False, 0.0
    strides = np.abs(np.diff([levels[k] for k in turning]))
    return strides.size >= 3, strides.size * float(np.quantile(strides, 0.2, method="lower"))


def _holds_at(rests: Sequence[RestLevel], turning: Sequence[int], noise_um: float, step_um: float) -> Holds:
    rising = rests[turning[1]].level_um > rests[turning[0]].level_um
    pulled = [(number % 2 == 1) == rising for number in range(len(turning))]
    same_um = max(1.5 * noise_um, 0.5 * step_um)
    bounds = [-1, *turning, len(rests)]
    furthest = [
        Hold(side, _around(rests, turning[k], bounds[k] + 1, bounds[k + 2], same_um))
        for k, side in enumerate(pulled)
    ]
    stride_um = float(np.median(_strides(furthest)))
    holds, slips_um = _without_slips(furthest, max(SHORT_FRACTION * stride_um, 2.5 * step_um, 8.0 * noise_um))
    # Equal holds may differ by one step through rounding alone.
    inner_um = max(SHORT_FRACTION * stride_um, 1.2 * step_um + 2.0 * noise_um)
    ends_um = max(END_FRACTION * stride_um, 0.5 * step_um + 2.0 * noise_um)
    found = replace(_without_short(holds, inner_um, ends_um), slips_um=slips_um)
    # Turns on the way that are no holds: what swings back after half a stride and more is worth a word.
    unseen = len(_turning_points([rest.level_um for rest in rests], HALF_STRIDE * stride_um)) - len(turning)
    return replace(found, short=found.short + max(0, unseen // 2))


def _around(
    rests: Sequence[RestLevel], at: int, first: int, stop: int, same_um: float
) -> tuple[RestLevel, ...]:
    """The rests from `first` to `stop` that lie within `same_um` of the one at the turning point."""
    return tuple(rest for rest in rests[first:stop] if abs(rest.level_um - rests[at].level_um) <= same_um)


def _strides(holds: Sequence[Hold]) -> tuple[float, ...]:
    return tuple(abs(after.level_um - before.level_um) for before, after in itertools.pairwise(holds))


def _without_slips(holds: list[Hold], smallest_um: float) -> tuple[list[Hold], tuple[float, ...]]:
    """Take off what shifts all later levels alike: one stride is longer or shorter, its neighbours are not.

    A visit that falls short makes two strides in a row too short, so it is no slip; nor is the first or
    the last stride ever taken for one, because there the hub may have been at rest.
    """
    signs = np.array([-1.0 if hold.pulled else 1.0 for hold in holds[:-1]])
    forward = signs * np.diff([hold.level_um for hold in holds])
    off = forward - np.median(forward)
    usual_um = 1.4826 * float(np.median(np.abs(off)))
    odd = np.abs(off) > max(smallest_um, ODD_STRIDE * usual_um)
    alone = odd & ~np.roll(odd, 1) & ~np.roll(odd, -1)
    alone[[0, -1]] = False
    if forward.size < FEWEST_STRIDES or not alone.any():
        return holds, ()
    slips_um = np.where(alone, signs * off, 0.0)
    shifted = np.concatenate([[0.0], np.cumsum(slips_um)])
    moved = [replace(hold, slipped_um=float(by)) for hold, by in zip(holds, shifted, strict=True)]
    return moved, tuple(slips_um[alone].tolist())


def _without_short(holds: list[Hold], inner_um: float, ends_um: float) -> Holds:
    """Take out visits that fell short, one by one, the shortest first.

    A visit falls short when both strides beside it do; strides, because a drift of the holder hardly
    enters them. The first and the last visit have one stride and may be the hub at rest where it was
    left, so they must fit more closely.
    """
    left, removed, inside = list(holds), 0, 0
    while len(left) > 2:
        strides = _strides(left)
        usual_um = float(np.median(strides))
        uneven_um = 3.0 * 1.4826 * float(np.median(np.abs(np.subtract(strides, usual_um))))
        allowed_um = np.maximum([ends_um, *[inner_um] * (len(left) - 2), ends_um], uneven_um)
        lacking = [usual_um - max(strides[max(0, k - 1) : k + 1]) - allowed_um[k] for k in range(len(left))]
        worst = int(np.argmax(lacking))
        if lacking[worst] <= 0.0:
            break
        removed += 1
        inside += 0 < worst < len(left) - 1
        left = _close_gap(left, worst)
    return Holds(tuple(left), removed, inside, len(holds))


def _close_gap(holds: list[Hold], gone: int) -> list[Hold]:
    """Take out one hold; its two neighbours on the other side become one, the further one of the two."""
    before, after = holds[:gone], holds[gone + 1 :]
    if not before or not after:
        return before + after
    further = max(before[-1], after[0], key=lambda hold: hold.reach_um)
    return [*before[:-1], further, *after[1:]]
