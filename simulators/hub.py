"""The hub as physics: a flange with its shape, a bearing with clearance, stiffness and friction.

Lengths in micrometres, angles in degrees, forces in newtons. A movement towards the plunger is positive;
for the face that is out of the vehicle, the way a pulled hub goes. The hub's angle grows in the direction
of turning and is zero when the index mark passes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

HIGHEST_ORDER = 20
GRID = 4096  # points of a turn on which a surface's own figures are taken


@dataclass(frozen=True, slots=True)
class Order:
    """One harmonic of the turn: half its swing, and the hub angle of its first maximum (0 to 360/order)."""

    order: int
    amplitude_um: float
    peak_deg: float


@dataclass(frozen=True, slots=True)
class Bump:
    """A narrow rise (a burr, a rust speck, dirt that stuck), bell-shaped.

    Attributes:
        height_um: rise at its middle; negative for a pit.
        at_deg: hub angle at which its middle is under the plunger.
        width_deg: full width at half the height.
    """

    height_um: float
    at_deg: float
    width_deg: float

    def rise_um(self, angle_deg: FloatArray) -> FloatArray:
        """The rise under the plunger at each hub angle, same shape as `angle_deg`."""
        away_deg = (np.asarray(angle_deg) - self.at_deg + 180.0) % 360.0 - 180.0
        return np.asarray(self.height_um * np.exp(-4.0 * math.log(2.0) * (away_deg / self.width_deg) ** 2))


@dataclass(frozen=True, slots=True)
class Surface:
    """What a turning face or diameter does to a plunger: the same every turn."""

    orders: tuple[Order, ...] = ()
    bumps: tuple[Bump, ...] = ()

    def movement_um(self, angle_deg: FloatArray) -> FloatArray:
        """Movement towards the plunger at each hub angle, same shape as `angle_deg`."""
        turn = np.exp(1j * np.deg2rad(angle_deg))
        total: FloatArray = np.zeros(np.shape(angle_deg))
        if self.orders:
            coefficients = np.zeros(max(order.order for order in self.orders) + 1, dtype=np.complex128)
            for order in self.orders:
                phase = math.radians(order.order * order.peak_deg)
                coefficients[order.order] += order.amplitude_um * complex(math.cos(phase), -math.sin(phase))
            total = np.polyval(coefficients[::-1], turn).real
        for bump in self.bumps:
            total = total + bump.rise_um(angle_deg)
        return total

    def on_grid_um(self) -> FloatArray:
        """One turn on `GRID` equal steps from hub angle 0."""
        return self.movement_um(np.arange(GRID) * (360.0 / GRID))

    def fim_um(self) -> float:
        """Full indicator movement over one turn, without noise or steps."""
        return float(np.ptp(self.on_grid_um()))

    def harmonics(self, highest: int = HIGHEST_ORDER) -> tuple[Order, ...]:
        """Orders 1 to `highest` of the whole surface, bumps included."""
        spectrum = np.fft.rfft(self.on_grid_um()) / GRID * 2.0
        return tuple(
            Order(
                number,
                float(abs(spectrum[number])),
                float(-np.rad2deg(np.angle(spectrum[number])) / number % (360.0 / number)),
            )
            for number in range(1, highest + 1)
        )

    def high_spot_deg(self) -> float:
        """Hub angle of the largest movement, to a grid step."""
        return float(np.argmax(self.on_grid_um())) * (360.0 / GRID)


@dataclass(frozen=True, slots=True)
class Bearing:
    """A rolling bearing seen from the hub's axis.

    Pushed or pulled harder than its friction, the hub crosses the clearance, then presses on the rolling
    elements, which give by the 2/3 power of the force (Hertz, ball on race). Let go, it stays where it is
    within the clearance, as grease and seal hold it.

    Attributes:
        clearance_um: axial travel without any resistance but friction.
        give_um: elastic deflection one way at 100 N.
        friction_n: force below which nothing moves inside the clearance.
        hysteresis_um: what stays behind of the deflection when the force goes.
        cage_per_turn: turns of the cage in one turn of the hub (about 0.4 to 0.46).
        cage_um: half the swing of the wobble that the cage carries round.
        cage_deg: where the wobble's maximum stands at hub angle 0.
    """

    clearance_um: float = 0.0
    give_um: float = 1.0
    friction_n: float = 15.0
    hysteresis_um: float = 0.3
    cage_per_turn: float = 0.43
    cage_um: float = 0.0
    cage_deg: float = 0.0

    def wobble_um(self, angle_deg: FloatArray, at_deg: float = 0.0) -> FloatArray:
        """The non-repeatable movement at cumulative hub angles, for a plunger `at_deg` further round."""
        phase_deg = self.cage_per_turn * np.asarray(angle_deg) - self.cage_deg - at_deg
        return np.asarray(self.cage_um * np.cos(np.deg2rad(phase_deg)))


@dataclass(frozen=True, slots=True)
class Seat:
    """Where the hub sits in its bearing: what the friction and the hysteresis remember."""

    carried_n: float = 0.0
    lagging_um: float = 0.0


def follow(bearing: Bearing, force_n: FloatArray, seat: Seat) -> tuple[FloatArray, Seat]:
    """Where a force drives the hub along its axis.

    Args:
        bearing: the bearing.
        force_n: (n,) force on the hub, pulled out of the vehicle positive, in the order in which it acts.
        seat: where the hub sat before.

    Returns:
        (n,) axial position in um, out of the vehicle positive, and where the hub sits afterwards.
    """
    if force_n.size == 0:
        return np.empty(0), seat
    if np.all(force_n == force_n[0]):  # a steady hand settles at once
        one, after = _walk(bearing, force_n[:1].tolist(), seat)
        return np.full(force_n.size, one[0]), after
    moved, after = _walk(bearing, force_n.tolist(), seat)
    return np.array(moved), after


def _walk(bearing: Bearing, forces_n: list[float], seat: Seat) -> tuple[list[float], Seat]:
    """Two play operators, one on the force (friction) and one on the deflection (hysteresis)."""
    carried, lagging = seat.carried_n, seat.lagging_um
    friction, half_lag = bearing.friction_n, bearing.hysteresis_um / 2.0
    half, steep = bearing.clearance_um / 2.0, bearing.clearance_um / 10.0  # crossed within 10 N
    moved: list[float] = []
    for force in forces_n:
        carried = max(force - friction, min(force + friction, carried))
        free = max(-half, min(half, steep * carried))
        deflection = math.copysign(bearing.give_um * (abs(force) / 100.0) ** (2.0 / 3.0), force)
        lagging = max(deflection - half_lag, min(deflection + half_lag, lagging))
        moved.append(free + lagging)
    return moved, Seat(carried, lagging)


@dataclass(frozen=True, slots=True)
class Hub:
    """A wheel hub on its bearing.

    Attributes:
        face: the flange face, plunger parallel to the axis.
        pilot: the pilot's diameter, plunger square to the axis.
        bearing: what carries it.
        studs: stud count.
    """

    face: Surface = field(default_factory=Surface)
    pilot: Surface = field(default_factory=Surface)
    bearing: Bearing = field(default_factory=Bearing)
    studs: int = 5


def shaped(
    rng: np.random.Generator,
    *,
    tilt_um: float = 0.0,
    saddle_um: float = 0.0,
    studs: int = 5,
    stud_pull_um: float = 0.0,
    small_um: float = 0.0,
    bump: Bump | None = None,
    highest_order: int = HIGHEST_ORDER,
) -> Surface:
    """A surface with what happens to flanges, at random angles.

    Args:
        rng: where the angles and the small amplitudes come from.
        tilt_um: half the swing of order 1, a face not square (or, on a pilot, its eccentricity).
        saddle_um: half the swing of order 2, a warped flange (an oval pilot).
        studs: stud count.
        stud_pull_um: half the swing of the stud-count order.
        small_um: order 3 is at most this; each higher one falls off with the power 1.5.
        bump: a narrow rise, placed as it says.
        highest_order: the last order that is given an amplitude.
    """
    amplitudes = {1: tilt_um, 2: saddle_um}
    for number in range(3, highest_order + 1):
        amplitudes[number] = small_um * (3.0 / number) ** 1.5 * float(rng.uniform(0.2, 1.0))
    amplitudes[studs] = amplitudes.get(studs, 0.0) + stud_pull_um
    orders = tuple(
        Order(number, amplitude, float(rng.uniform(0.0, 360.0 / number)))
        for number, amplitude in amplitudes.items()
        if amplitude > 0.0
    )
    return Surface(orders, (bump,) if bump else ())
