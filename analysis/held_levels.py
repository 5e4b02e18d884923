"""The level of a hold from readings in steps, with what the steps leave open of it.

Readings that noise spreads over three steps and more average as they should. Where the noise is small
against the step, a hold tells one of two things: all its readings on one step say that the level lies within
half a step of it; readings on two neighbouring steps say much more, namely that the level lies close to the
edge between them, and their mean would be wrong by up to half a step (it depends on how often the level
happens to be on this side or that, not on where it is).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from analysis.holds import Hold
from analysis.trace import FloatArray
from analysis.uncertainty import mean_of_steps_um, rectangular_um

EDGE_STEPS = 0.08
"""Spread of a level about an edge on which it flickers, in steps: noise, tremble and creep of a hand
together, where they do not reach a third step (our choice; simulated hands: 0.02 to 0.2)."""
LEAST_SHARE = 0.02
CELL_HALF_STEPS = 0.48
"""Half-width of a step on which all readings of a hold lie: nearer to its edge some would lie beyond."""
SPREAD_OUT = 3
"""Values in a hold from which its noise is taken to average the steps out."""


@dataclass(frozen=True, slots=True)
class HeldLevel:
    """One hold's level, um.

    Attributes:
        level_um: the level, slips taken off.
        standard_um: what the steps leave open of it.
        place: holds of one side at the same place share their error: twice the number of the step, or the
            odd number between two steps.
    """

    level_um: float
    standard_um: float
    place: int


def held_levels(
    holds: Sequence[Hold], reading_um: FloatArray, step_um: float, scatter_um: float
) -> tuple[HeldLevel, ...]:
    """The levels of holds.

    Args:
        holds: pushes and pulls.
        reading_um: (n,) all readings, to which the rests of the holds point.
        step_um: step of the indicator; 0 where it has none.
        scatter_um: scatter of the readings in holds, as they were read.
    """
    steps = [_steps_of(hold, reading_um, step_um) for hold in holds] if step_um > 0 else []
    fine = step_um <= 0.0 or any(np.unique(one).size >= SPREAD_OUT for one in steps)
    if fine:
        each_um = mean_of_steps_um(step_um, scatter_um)
        return tuple(
            HeldLevel(hold.level_um, each_um, 2 * round(hold.level_um / step_um) if step_um > 0 else 0)
            for hold in holds
        )
    return tuple(_coarse(hold, one, step_um) for hold, one in zip(holds, steps, strict=True))


def _steps_of(hold: Hold, reading_um: FloatArray, step_um: float) -> FloatArray:
    """Readings of a hold without those next to the moves, in whole steps."""
    parts = []
    for rest in hold.rests:
        edge = max(1, round(0.06 * rest.count)) if rest.count >= 5 else 0
        parts.append(reading_um[rest.first + edge : rest.stop - edge])
    return np.asarray(np.rint(np.concatenate(parts) / step_um), np.float64)


def _coarse(hold: Hold, steps: FloatArray, step_um: float) -> HeldLevel:
    usual = float(np.median(steps))
    low = math.floor(usual) if np.mean(steps < usual) <= np.mean(steps > usual) else math.ceil(usual) - 1
    above = float(np.mean(steps > low + 0.5))
    if not LEAST_SHARE <= above <= 1.0 - LEAST_SHARE:
        on = low if above < 0.5 else low + 1
        return HeldLevel(on * step_um - hold.slipped_um, rectangular_um(CELL_HALF_STEPS * step_um), 2 * on)
    aside = float(ndtri(above))
    level = (low + 0.5 + EDGE_STEPS * aside) * step_um - hold.slipped_um
    return HeldLevel(level, EDGE_STEPS * step_um * max(1.0, abs(aside)), 2 * low + 1)
