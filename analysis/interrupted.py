"""Surfaces with gaps: stud holes, slots, or the teeth of a ring. The tops are the surface.

Where the plunger falls between the tops, most readings say nothing of the surface: they lie on the flanks,
or at the plunger's stop. Two kinds are told apart:

holes: most readings lie on the surface, short stretches fall away from it. The stretches, with the
    readings on their edges, are set aside.
teeth: the plunger comes up only for a moment at each tip. One reading of each tip stands for it, the
    highest level that two readings in a row held (a single one may be the plunger's own overshoot). Of two
    tips that run together only one is seen, and a top may be missed, so a tip may read low but hardly ever
    high: the surface is the upper edge of the tips (`tip_envelope`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.ndimage import maximum_filter1d

from analysis.trace import BoolArray, FloatArray, IntArray

TOP_SHARE = 0.45  # of the running height above the bottom: a stretch above it is one tip
FEWEST_TIPS = 20
FEWEST_HOLES = 3
HOLES_AT_MOST = 0.4  # of the readings; with more than that gone, tips are looked for
LEAST_HEIGHT_STEPS = 40
AT_STOP = 0.1  # of the readings: between teeth the plunger lies at its stop


@dataclass(frozen=True, slots=True, eq=False)
class Interrupted:
    """What of an interrupted trace is the surface.

    Attributes:
        kind: short gaps in a surface, or single tips.
        keep: (n,) true for the readings that stand for the surface.
        gaps: gaps or tips found.
    """

    kind: Literal["holes", "teeth"]
    keep: BoolArray
    gaps: int


def teeth_of(reading_um: FloatArray, step_um: float) -> Interrupted | None:
    """The tips, where the readings are those of a toothed ring; None otherwise.

    Args:
        reading_um: (n,) readings in the order of their time.
        step_um: step of the indicator.

    On a ring the plunger keeps falling to its stop, one lowest level far under the tips, and moves
    between the two at once. Neither holds for a smooth flange, however often it is turned.
    """
    if reading_um.size < 3 * FEWEST_TIPS:
        return None
    low, high = np.quantile(reading_um, [0.02, 0.98])
    reach = float(high - low)
    if reach < LEAST_HEIGHT_STEPS * step_um:
        return None
    at_stop = reading_um < low + 0.02 * reach
    visits = int((np.diff(at_stop.astype(np.int8)) == 1).sum())
    sharp = float(np.mean(np.abs(np.diff(reading_um)) > 0.2 * reach))
    if float(at_stop.mean()) < AT_STOP or visits < FEWEST_TIPS or sharp < 0.01:
        return None
    tips = tips_of(reading_um)
    if tips.size < FEWEST_TIPS:
        return None
    keep = np.zeros(reading_um.size, dtype=np.bool_)
    keep[tips] = True
    return Interrupted("teeth", keep, int(tips.size))


def holes_of(reading_um: FloatArray, noise_um: float, step_um: float) -> Interrupted | None:
    """The surface without its gaps, where it has three or more; None otherwise.

    Args:
        reading_um: (n,) readings in the order of their time.
        noise_um: standard deviation of one reading.
        step_um: step of the indicator.
    """
    if reading_um.size < 3 * FEWEST_TIPS:
        return None
    usual = float(np.quantile(np.abs(np.diff(reading_um)), 0.6))
    return _holes(reading_um, max(8 * noise_um, 10 * step_um, 6 * usual))


def _holes(reading_um: FloatArray, sharp_um: float) -> Interrupted | None:
    """Short stretches between a sharp fall and a sharp rise, with one reading on either side."""
    longest = max(4, reading_um.size // 40)
    gone = np.zeros(reading_um.size, dtype=np.bool_)
    move = np.diff(reading_um)
    falls = np.flatnonzero(move < -sharp_um)
    rises = np.flatnonzero(move > sharp_um)
    holes = last = 0
    for fall in falls.tolist():
        if fall < last:
            continue
        after = rises[np.searchsorted(rises, fall) :]
        within = after[after <= fall + longest]
        back = [rise for rise in within.tolist() if reading_um[rise + 1] > reading_um[fall] - 2 * sharp_um]
        if back:
            last = back[0] + 1
            gone[fall : last + 1] = True
            holes += 1
    if holes < FEWEST_HOLES or float(gone.mean()) > HOLES_AT_MOST:
        return None
    return Interrupted("holes", ~gone, holes)


def tips_of(reading_um: FloatArray) -> IntArray:
    """Rows of the readings that stand for the tips, in order.

    The height of a tip is measured from the bottom (the plunger's stop) to a running maximum that spans a
    few tips, so that a ring out of centre by nearly its own tooth height is still followed. A lead-in
    before the ring moves stays under 5 % of the largest height and is left out with that.
    """
    bottom = float(np.quantile(reading_um, 0.02))
    height = reading_um - bottom
    crest = maximum_filter1d(height, 2 * _tip_span(height) + 1)
    up = (height > TOP_SHARE * crest) & (height > 0.05 * float(height.max()))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], up.astype(np.int8), [0]])))
    stretches = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return np.array([first + _held(reading_um[first:last]) for first, last in stretches], dtype=np.intp)


def _held(stretch: FloatArray) -> int:
    """Place of the highest level that two readings in a row held; of the highest when there are few."""
    if stretch.size < 4:
        return int(np.argmax(stretch))
    held = np.minimum(stretch[1:], stretch[:-1])
    place = int(np.argmax(held))
    return place if stretch[place] <= stretch[place + 1] else place + 1


def _tip_span(height: FloatArray) -> int:
    """Readings from one tip to the next, roughly: the median distance of upward crossings of mid-height."""
    middle = 0.25 * float(np.quantile(height, 0.98))
    rising = np.flatnonzero((height[1:] > middle) & (height[:-1] <= middle))
    return max(3, int(np.median(np.diff(rising)))) if rising.size > 2 else 10
