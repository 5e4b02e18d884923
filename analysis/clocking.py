"""Clocking the brake disc: which bolt position on the flange makes the disc's run-out least.

Flange and disc each bring a run-out of their own. Turned against each other by a bolt, the disc's part
turns with it and the flange's stays; their sum can be anything between the difference and the total. Two
measurements on the same circle of the disc's face are enough: the flange alone and the disc mounted, each
as orders of the turn from the same stud. Angles in degrees from stud 1 of the flange, growing in the
direction in which the hub is turned; lengths in micrometres.
"""

from __future__ import annotations

from cmath import exp
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import cos, hypot, pi, radians, sin

import numpy as np

from analysis.trace import FloatArray
from config.errors import InputError

GRID_POINTS = 720


@dataclass(frozen=True, slots=True)
class Wave:
    """One order of a run-out: half its swing, the angle of its first maximum, and its uncertainty."""

    order: int
    amplitude_um: float
    peak_deg: float
    standard_um: float = 0.0


@dataclass(frozen=True, slots=True)
class Position:
    """The disc turned on by `bolts` bolts from where it was measured, in the direction of turning.

    Attributes:
        bolts: 0 is the position measured.
        runout_um: predicted full indicator movement.
        once_per_turn_um: predicted half swing of order 1.
        standard_um: standard uncertainty of `runout_um` from that of the orders.
    """

    bolts: int
    runout_um: float
    once_per_turn_um: float
    standard_um: float


@dataclass(frozen=True, slots=True)
class Clocking:
    """All positions in order of bolts, and the best one."""

    positions: tuple[Position, ...]
    best: Position

    @property
    def gain_um(self) -> float:
        """How much less run-out the best position gives than the one measured; 0 when it is that one."""
        return self.positions[0].runout_um - self.best.runout_um

    @property
    def sure(self) -> bool:
        """The gain is larger than its uncertainty (twice the standard one)."""
        return self.gain_um > 2.0 * hypot(self.positions[0].standard_um, self.best.standard_um)


def at_radius(waves: Iterable[Wave], *, from_mm: float, to_mm: float) -> tuple[Wave, ...]:
    """Run-out of a face on another radius: order 1 (a tilt) grows with the radius, the rest is kept.

    Args:
        waves: orders measured at `from_mm`.
        from_mm: radius at which the plunger stood.
        to_mm: radius wanted, such as that of the brake disc's face.

    Raises:
        InputError: a radius that is not above zero.
    """
    if not (from_mm > 0.0 and to_mm > 0.0):
        raise InputError(f"radii {from_mm:g} and {to_mm:g} mm", where="clocking", expected="above zero")
    scale = to_mm / from_mm
    return tuple(
        Wave(wave.order, wave.amplitude_um * scale, wave.peak_deg, wave.standard_um * scale)
        if wave.order == 1
        else wave
        for wave in waves
    )


def clock_disc(flange: Iterable[Wave], mounted: Iterable[Wave], *, bolts: int) -> Clocking:
    """Predict the run-out of the mounted disc in every bolt position.

    Args:
        flange: orders of the flange's face, brought to the disc's radius (`at_radius`).
        mounted: orders of the disc's face as mounted, on the same angle, at the same radius.
        bolts: number of studs, evenly spaced.

    An order that only one of the two lists holds counts as zero in the other. The disc's own part is the
    mounted one minus the flange; turned on by the angle b it becomes ``D_n exp(-i n b)``.

    Raises:
        InputError: fewer than two bolts, or nothing measured.
    """
    if not 2 <= bolts <= 12:
        raise InputError(f"{bolts} bolts", where="clocking", expected="2 to 12")
    base, total = _vectors(flange), _vectors(mounted)
    if not total:
        raise InputError("the mounted disc has no orders", where="clocking", expected="order 1 at least")
    orders = sorted(set(base) | set(total))
    own = {order: total.get(order, (0j, 0.0))[0] - base.get(order, (0j, 0.0))[0] for order in orders}
    grid = np.arange(GRID_POINTS, dtype=np.float64) * (2.0 * pi / GRID_POINTS)
    positions = []
    for shift in range(bolts):
        turned = 2.0 * pi * shift / bolts
        sums = {n: base.get(n, (0j, 0.0))[0] + own[n] * exp(-1j * n * turned) for n in orders}
        positions.append(_position(shift, sums, base, total, turned, grid))
    # Rounded, so that of equal positions the first is best and the disc is not turned for nothing.
    return Clocking(tuple(positions), min(positions, key=lambda position: round(position.runout_um, 6)))


def _vectors(waves: Iterable[Wave]) -> dict[int, tuple[complex, float]]:
    """Per order: a - i b of ``a cos + b sin``, and its standard uncertainty."""
    vectors = {}
    for wave in waves:
        angle = radians(wave.order * wave.peak_deg)
        vectors[wave.order] = (wave.amplitude_um * exp(-1j * angle), wave.standard_um)
    return vectors


def _position(
    shift: int,
    sums: Mapping[int, complex],
    base: Mapping[int, tuple[complex, float]],
    total: Mapping[int, tuple[complex, float]],
    turned: float,
    grid: FloatArray,
) -> Position:
    profile = sum((vector * np.exp(1j * n * grid)).real for n, vector in sums.items())
    high, low = int(np.argmax(profile)), int(np.argmin(profile))
    variance = 0.0
    for n in sums:
        # The flange enters once as it stays and once, with the other sign, as it turns with the disc.
        swing = abs(np.exp(1j * n * grid[high]) - np.exp(1j * n * grid[low]))
        kept = hypot(1.0 - cos(n * turned), sin(n * turned))
        flange, disc = (source.get(n, (0j, 0.0))[1] for source in (base, total))
        variance += swing**2 * (disc**2 + (kept * flange) ** 2)
    runout = float(profile[high] - profile[low])
    return Position(shift, runout, abs(sums.get(1, 0j)), float(np.sqrt(variance)))
