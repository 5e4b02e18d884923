"""The surface of a turned hub as a model: its columns and its estimate. `surface_fit` tells the method."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.harmonics import harmonic_columns
from analysis.trace import FloatArray

USUAL_ORDERS = 40
FINE_ORDERS = 100  # so that a cut-off of 50 UPR finds what it lets through
SLOWEST_PER_TURN = 0.3  # slower than this is drift of the holder
FASTEST_PER_TURN = 1.3
MOST_SLOW = 160


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Which columns the model has.

    Attributes:
        orders: highest order of the repeatable profile.
        slow_per_turn: (m,) frequencies of the slow movement, periods per turn.
        start_rad: angle of the first reading.
        middle_s: time at which the drift is zero.
        half_s: time in which the drift grows by its coefficient.
    """

    orders: int
    slow_per_turn: FloatArray
    start_rad: float
    middle_s: float
    half_s: float

    @property
    def periodic(self) -> slice:
        """Columns of the repeatable profile."""
        return slice(3, 3 + 2 * self.orders)

    @property
    def slow(self) -> slice:
        """Columns of the slow movement."""
        return slice(3 + 2 * self.orders, 3 + 2 * self.orders + 2 * self.slow_per_turn.size)

    def drift_columns(self, time_s: FloatArray) -> FloatArray:
        """(n, 2) linear and quadratic drift, the latter with mean zero over an even run."""
        passed = (time_s - self.middle_s) / self.half_s
        return np.column_stack([passed, passed**2 - 1 / 3])

    def slow_columns(self, angle_rad: FloatArray) -> FloatArray:
        """(n, 2m) cosine and sine of every slow frequency over the cumulative angle."""
        phase = np.outer(angle_rad - self.start_rad, self.slow_per_turn)
        return np.stack([np.cos(phase), np.sin(phase)], axis=2).reshape(angle_rad.size, -1)

    def columns(self, angle_rad: FloatArray, time_s: FloatArray) -> FloatArray:
        """(n, p) all columns: offset, drift, repeatable, slow."""
        return np.hstack(
            [
                np.ones((angle_rad.size, 1)),
                self.drift_columns(time_s),
                harmonic_columns(angle_rad, self.orders),
                self.slow_columns(angle_rad),
            ]
        )


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """The estimated surface.

    Attributes:
        shape: its columns.
        mean: (p,) coefficients, um.
        covariance: (p, p) of the coefficients given the readings, um squared.
        noise_um: standard deviation of one reading, steps not counted where cells were used.
        used: readings behind it.
        freedom: degrees of freedom left to the noise.
        cells: whether the likelihood of the step's cells was used.
    """

    shape: Shape
    mean: FloatArray
    covariance: FloatArray
    noise_um: float
    used: int
    freedom: float
    cells: bool


def choose_shape(angle_rad: FloatArray, time_s: FloatArray, *, together: int = 1) -> Shape:
    """Columns that these readings can carry.

    Args:
        angle_rad: (n,) cumulative angle.
        time_s: (n,) time.
        together: turns that were put together; above 1 the slow movement cannot be seen any more.
    """
    readings = angle_rad.size
    turns = float(np.ptp(angle_rad)) / (2 * np.pi)
    finest = FINE_ORDERS if readings / max(turns, 1.0) >= 350 else USUAL_ORDERS
    orders = int(min(finest, max(3, readings * 0.2)))
    step = 0.5 / max(turns, 0.5)
    slow = np.arange(step, FASTEST_PER_TURN, step)[:MOST_SLOW]
    slow = slow[(slow >= SLOWEST_PER_TURN) & (np.abs(slow - np.rint(slow)) > step / 4)]
    if turns < 1.3 or together > 1:
        slow = slow[:0]
    first, last = float(time_s.min()), float(time_s.max())
    return Shape(
        orders=orders,
        slow_per_turn=slow,
        start_rad=float(angle_rad.min()),
        middle_s=(first + last) / 2,
        half_s=max((last - first) / 2, 1e-9),
    )


def fitted_reading(surface: Surface, angle_rad: FloatArray, time_s: FloatArray) -> FloatArray:
    """(n,) repeatable profile, offset and drift at each reading, the profile looked up in a fine table."""
    table = np.linspace(0, 2 * np.pi, 2881)
    shape = surface.shape
    profile = harmonic_columns(table, shape.orders) @ surface.mean[shape.periodic]
    drift = surface.mean[0] + shape.drift_columns(time_s) @ surface.mean[1:3]
    return np.asarray(drift + np.interp(np.mod(angle_rad, 2 * np.pi), table, profile))
