"""The surface of a turned hub as a model: its columns and its estimate. `surface_fit` tells the method."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.harmonics import harmonic_columns
from analysis.trace import FloatArray

SLOWEST_PER_TURN = 0.3  # slower than this is drift of the holder
FASTEST_PER_TURN = 6.0
NEAR_WHOLE = 0.18  # a movement this near to a whole number a turn cannot be told from an order
MOST_SLOW = 160
STANDS_OUT = 16.0  # power over that of noise; one run in fifty has as much among 60 frequencies by chance


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
class Posed:
    """The linear problem whose answer a surface is, so that anybody can solve it again.

    With the columns X of `shape` (and `beside`), W the diagonal of `weight` / `variance` and P that of
    1 / `prior`: covariance = inverse(X' W X + P), mean = covariance X' W `value_um`.

    Attributes:
        shape: its columns.
        angle_rad: (n,) cumulative angle of each row.
        time_s: (n,) time of each row.
        value_um: (n,) readings; of coarse steps what each cell says of the surface.
        weight: (n,) what a row counts for, in readings of `variance`.
        variance: of a reading, um squared.
        prior: (p,) variance of each coefficient before the readings are asked, um squared.
        beside: (n, k) further columns, or None.
        kept_orders: orders that the surface has; the highest are left out where they came out empty.
    """

    shape: Shape
    angle_rad: FloatArray
    time_s: FloatArray
    value_um: FloatArray
    weight: FloatArray
    variance: float
    prior: FloatArray
    beside: FloatArray | None = None
    kept_orders: int = 0


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
        beside: (k,) coefficients of the columns that the rows brought along; not among `mean`.
        posed: the problem that it answers.
    """

    shape: Shape
    mean: FloatArray
    covariance: FloatArray
    noise_um: float
    used: int
    freedom: float
    cells: bool
    beside: FloatArray = field(default_factory=lambda: np.empty(0))
    posed: Posed | None = None


def choose_shape(angle_rad: FloatArray, time_s: FloatArray, most_orders: int) -> Shape:
    """Columns without slow movement: as many orders as the readings carry, at most `most_orders`."""
    orders = int(min(most_orders, max(3, angle_rad.size * 0.2)))
    first, last = float(time_s.min()), float(time_s.max())
    return Shape(
        orders=orders,
        slow_per_turn=np.empty(0),
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


def profile_slope(surface: Surface, angle_rad: FloatArray) -> FloatArray:
    """Slope of the repeatable profile, um/rad."""
    own = surface.mean[surface.shape.periodic]
    order = np.arange(1, surface.shape.orders + 1)
    turned = np.empty(own.size)
    turned[0::2], turned[1::2] = order * own[1::2], -order * own[0::2]
    return np.asarray(harmonic_columns(angle_rad, surface.shape.orders) @ turned, np.float64)


def slow_amplitude_um(surface: Surface, turns: int) -> float | None:
    """Amplitude of the movement slower than the hub: root mean square of its envelope over whole turns.

    Cosines and sines near one frequency make one wave whose amplitude swells; what their uncertainty adds to
    the mean square is taken off. None where the model has no such movement.
    """
    shape = surface.shape
    slower = np.flatnonzero(shape.slow_per_turn < 1.0)
    if not slower.size:
        return None
    cage = np.column_stack([2 * slower, 2 * slower + 1]).ravel()
    mean = surface.mean[shape.slow][cage]
    covariance = surface.covariance[shape.slow, shape.slow][np.ix_(cage, cage)]
    angle = np.linspace(0.0, 2 * np.pi * max(turns, 1), 90)
    columns = shape.slow_columns(shape.start_rad + angle)[:, cage]
    ahead = np.empty_like(columns)
    ahead[:, 0::2], ahead[:, 1::2] = -columns[:, 1::2], columns[:, 0::2]
    both = np.vstack([columns, ahead])
    square = both @ mean
    doubt = np.einsum("ij,ij->i", both @ covariance, both)
    return float(np.sqrt(max(float(np.mean(square**2)) * 2 - float(np.mean(doubt)) * 2, 0.0)))


def slow_seen(
    shape: Shape, angle_rad: FloatArray, left_um: FloatArray, weight: FloatArray, noise_um: float
) -> FloatArray:
    """Frequencies, per turn, at which what a fit left over moves by more than noise does.

    Args:
        shape: the columns of that fit.
        angle_rad: (n,) cumulative angle.
        left_um: (n,) reading minus fit.
        weight: (n,) readings behind each.
        noise_um: standard deviation of one reading.

    The power at a frequency, over that of noise, is chi-squared with two degrees of freedom where there
    is only noise (Schuster's periodogram). Where one frequency between two whole numbers stands out, all
    between them are given to the model: the true one lies between those that are tried.
    """
    turns = float(np.ptp(angle_rad)) / (2 * np.pi)
    step = 0.5 / max(turns, 0.5)
    tried = np.arange(step, FASTEST_PER_TURN, step)
    tried = tried[(tried >= SLOWEST_PER_TURN) & (np.abs(tried - np.rint(tried)) > NEAR_WHOLE)][:MOST_SLOW]
    phase = np.outer(tried, angle_rad - shape.start_rad)
    weighted = weight * left_um
    power = (np.cos(phase) @ weighted) ** 2 + (np.sin(phase) @ weighted) ** 2
    power /= noise_um**2 * float(weight.sum()) / 2
    between = np.floor(tried)
    found = np.unique(between[power > STANDS_OUT])
    return np.asarray(tried[np.isin(between, found)], np.float64)
