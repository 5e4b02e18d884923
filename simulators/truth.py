"""What is true of a simulated measurement, for whoever judges the judging.

No noise, no steps, no error of the indicator in any of it. Lengths in micrometres, angles in degrees
from the index mark, growing in the direction of turning.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulators.hub import Bearing, Order, Surface

FloatArray = NDArray[np.floating[Any]]

PER_TURN = 1440  # points of a turn on which the movement is taken


@dataclass(frozen=True, slots=True)
class TurnTruth:
    """The truth of turning a hub from `start_deg` to `end_deg` (cumulative) under one plunger.

    Attributes:
        surface: what repeats every turn, as the plunger meets it (hub angle from the index mark).
        bearing: what does not.
        start_deg, end_deg: hub angle at first and last.
        at_deg: how much further round the plunger stands than the first one.
    """

    surface: Surface
    bearing: Bearing
    start_deg: float
    end_deg: float
    at_deg: float = 0.0

    @property
    def total_turns(self) -> float:
        """From first to last, steps back taken off."""
        return (self.end_deg - self.start_deg) / 360.0

    @property
    def complete(self) -> int:
        """Whole turns in it."""
        return int(self.total_turns + 1e-9)

    @property
    def repeatable_um(self) -> float:
        """FIM of what repeats every turn."""
        return self.surface.fim_um()

    @property
    def orders(self) -> tuple[Order, ...]:
        """Orders 1 to 20 of what repeats every turn; peaks from the index mark."""
        return self.surface.harmonics()

    def movement_um(self, angle_deg: FloatArray) -> FloatArray:
        """Movement of the surface at cumulative hub angles, what does not repeat included."""
        return self.surface.movement_um(angle_deg) + self.bearing.wobble_um(angle_deg, self.at_deg)

    def fim_per_turn_um(self, from_deg: float | None = None) -> tuple[float, ...]:
        """FIM of each whole turn, counted from `from_deg` (cumulative; the start when None)."""
        first = self.start_deg if from_deg is None else from_deg
        whole = int((self.end_deg - first) / 360.0 + 1e-9)
        grid = np.arange(PER_TURN + 1) * (360.0 / PER_TURN)
        return tuple(float(np.ptp(self.movement_um(first + 360.0 * k + grid))) for k in range(whole))

    @property
    def as_read_um(self) -> float:
        """Largest minus smallest movement of all."""
        count = max(2, int(self.total_turns * PER_TURN))
        return float(np.ptp(self.movement_um(np.linspace(self.start_deg, self.end_deg, count))))

    @property
    def mean_turn_fim_um(self) -> float | None:
        """FIM of the mean of the whole turns (the synchronous part of ISO 230-7); None without one."""
        if not self.complete:
            return None
        grid = self.start_deg + np.arange(PER_TURN + 1) * (360.0 / PER_TURN)
        turns = grid + 360.0 * np.arange(self.complete)[:, None]
        return float(np.ptp(self.movement_um(turns).mean(axis=0)))

    @property
    def non_repeatable_um(self) -> float | None:
        """Largest spread at one angle of the hub over the turns; None below two turns."""
        if self.complete < 2:
            return None
        angles = self.start_deg + np.arange(PER_TURN) * (360.0 / PER_TURN)
        visits = angles + 360.0 * np.arange(self.complete + 1)[:, None]
        wobble = np.where(visits <= self.end_deg, self.bearing.wobble_um(visits, self.at_deg), np.nan)
        return float(np.max(np.nanmax(wobble, axis=0) - np.nanmin(wobble, axis=0)))


@dataclass(frozen=True, slots=True)
class StrokesTruth:
    """The truth of pushing and pulling: the mean position over each hold, and their differences."""

    pushed_um: tuple[float, ...]
    pulled_um: tuple[float, ...]

    @property
    def strokes_um(self) -> tuple[float, ...]:
        """End play of each stroke."""
        return tuple(out - back for back, out in zip(self.pushed_um, self.pulled_um, strict=True))

    @property
    def play_um(self) -> float:
        """Mean over the strokes."""
        return float(np.mean(self.strokes_um))


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth of one action: what was turned or pushed (else None), and how far the holder moved."""

    turn: TurnTruth | None = None
    strokes: StrokesTruth | None = None
    holder_um: float = 0.0
