"""What carries the indicator: it should stand still, and at times it creeps, bends or slips.

Micrometres, positive when it moves the reading up; seconds from the start.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Slip:
    """A step of the holder at one instant."""

    at_s: float
    um: float


@dataclass(frozen=True)
class Holder:
    """A holder with its faults; without any it stands still.

    Attributes:
        creep_um_per_s: steady drift.
        settle_um: drift that dies out, in all.
        settle_s: its time constant.
        flex_um_per_n: how far the knuckle or holder gives under the hand's force on the hub.
        slips: steps, in order of time.
    """

    creep_um_per_s: float = 0.0
    settle_um: float = 0.0
    settle_s: float = 20.0
    flex_um_per_n: float = 0.0
    slips: tuple[Slip, ...] = ()

    @cached_property
    def _stairs(self) -> tuple[FloatArray, FloatArray]:
        """The instants of the slips, and where the holder stands before, between and after them."""
        steps = np.concatenate([[0.0], np.cumsum([slip.um for slip in self.slips])])
        return np.array([slip.at_s for slip in self.slips]), steps

    def movement_um(self, time_s: FloatArray, force_n: FloatArray | None = None) -> FloatArray:
        """Where the holder has moved the reading at each instant, (n,) like `time_s`; 0 at time 0."""
        moved = self.creep_um_per_s * time_s
        if self.settle_um:
            moved = moved + self.settle_um * -np.expm1(-time_s / self.settle_s)
        if self.flex_um_per_n and force_n is not None:
            moved = moved + self.flex_um_per_n * force_n
        if self.slips:
            instants, steps = self._stairs
            moved = moved + steps[np.searchsorted(instants, time_s, side="right")]
        return np.asarray(moved, dtype=np.float64)


def loose(
    rng: np.random.Generator,
    *,
    every_s: tuple[float, float] = (1.0, 2.2),
    size_um: tuple[float, float] = (15.0, 45.0),
    creep_um_per_s: float = 2.0,
    seconds: float = 3600.0,
) -> Holder:
    """A holder that nobody tightened: it slips again and again, either way, and creeps all the time."""
    instants = np.cumsum(rng.uniform(*every_s, size=int(seconds / every_s[0])))
    sizes = rng.uniform(*size_um, size=instants.size) * rng.choice([-1.0, 1.0], size=instants.size)
    slips = tuple(Slip(float(at), float(um)) for at, um in zip(instants, sizes, strict=True))
    return Holder(creep_um_per_s=creep_um_per_s, slips=slips)
