"""The surface of a turned hub, estimated from readings with a known angle.

Model: reading = drift of the holder (time) + repeatable profile (period one turn) + slow movement that
does not repeat (cumulative angle) + noise, cut to the indicator's step.

Why a model, and not largest minus smallest of the readings: a maximum over noisy readings is too large by
the noise (about 5 standard deviations over a hundred readings), a maximum over few readings too small by
the gaps between them. The profile is therefore a series of many orders whose sizes are not fixed
beforehand: every order gets a prior variance that the readings themselves decide (evidence or "empirical
Bayes" framework: D. J. C. MacKay, Bayesian interpolation, Neural Computation 4, 1992; from memory). An
order that stands above the noise passes untouched, so a narrow bump, which is a little of many orders,
survives; an order lost in the noise is drawn to zero. The same holds for drift and slow movement: a hub
that repeats is not charged with movement that is only noise.

Coarse steps: a reading only says in which cell of the step the surface stood. Where the noise does not
smear the cells, the likelihood of the cell is used in place of a Gaussian (ordered probit; the gradient is
the conditional mean of the noise within the cell).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import erfcx

from analysis.harmonics import harmonic_columns
from analysis.trace import FloatArray

ROUNDS = 14
CELL_ROUNDS = 16
USUAL_ORDERS = 40
FINE_ORDERS = 100  # so that a cut-off of 50 UPR finds what it lets through
LONE = 2
TREND_WEIGHT = 4.0
SLOW_WEIGHT = 1.0
SLOWEST_PER_TURN = 0.3  # slower than this is drift of the holder


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
    slow = np.arange(step, 1.3, step)[:160]
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


def _prior(
    shape: Shape, mean: FloatArray, spread: FloatArray, known: FloatArray, trend: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Prior variances of the columns and the renewed trend of the spectrum (log size, slope)."""
    variance = np.empty(mean.size)
    square = mean**2
    variance[0] = 1e12
    variance[1:3] = square[1:3] / np.maximum(known[1:3], 1e-3)
    sizes = square[shape.periodic].reshape(-1, 2).sum(axis=1)
    weight = known[shape.periodic].reshape(-1, 2).sum(axis=1)
    order = np.arange(1, shape.orders + 1)
    pairs = sizes / np.maximum(weight, 1e-3)
    if shape.orders > LONE + 2:
        basis = np.column_stack([np.ones(shape.orders - LONE), -np.log(order[LONE:] / (LONE + 1))])
        for _ in range(2):
            expected = np.exp(np.clip(basis @ trend, -16, 12))
            gain = np.clip(sizes[LONE:] / expected - weight[LONE:], -1, 4)
            normal = basis.T @ (basis * weight[LONE:, None]) + np.diag([1e-2, 0.5])
            pull = basis.T @ gain + np.array([0.0, 0.5 * (2.5 - trend[1])])
            trend = trend + np.clip(np.linalg.solve(normal, pull), -2, 2)
            trend[1] = np.clip(trend[1], 0.5, 8)
        expected = np.exp(np.clip(basis @ trend, -16, 12))
        pairs[LONE:] = (sizes[LONE:] + TREND_WEIGHT * expected) / (weight[LONE:] + TREND_WEIGHT)
    variance[shape.periodic] = np.repeat(pairs, 2)
    slow = (square + spread)[shape.slow].reshape(-1, 2).sum(axis=1)
    variance[shape.slow] = np.repeat(slow / (2 + SLOW_WEIGHT), 2)
    return np.maximum(variance, 1e-8), trend


def fit_surface(
    angle_rad: FloatArray,
    time_s: FloatArray,
    reading_um: FloatArray,
    *,
    weight: FloatArray | None = None,
    within_square: float = 0.0,
    resolution_um: float = 0.0,
    shape: Shape | None = None,
) -> Surface:
    """Estimate the surface; see the module for the method.

    Args:
        angle_rad: (n,) cumulative angle of the hub.
        time_s: (n,) time.
        reading_um: (n,) readings, or means of several.
        weight: (n,) readings behind each mean; ones when None.
        within_square: sum of squares of the readings about these means, um squared.
        resolution_um: step of the indicator; 0 when it has none.
        shape: columns to use; chosen when None.
    """
    count = np.ones(angle_rad.size) if weight is None else weight
    readings = int(count.sum())
    chosen = shape or choose_shape(angle_rad, time_s)
    columns = chosen.columns(angle_rad, time_s)
    level = float(count @ reading_um) / readings
    surface = _fit_gaussian(chosen, columns, reading_um - level, count, within_square, resolution_um)
    smeared = surface.noise_um**2 - resolution_um**2 / 12
    if weight is None and resolution_um > 0 and smeared < (0.3 * resolution_um) ** 2:
        surface = _fit_cells(surface, columns, reading_um - level, resolution_um)
    mean = surface.mean.copy()
    mean[0] += level
    return Surface(
        chosen, mean, surface.covariance, surface.noise_um, readings, surface.freedom, surface.cells
    )


def fitted_reading(surface: Surface, angle_rad: FloatArray, time_s: FloatArray) -> FloatArray:
    """(n,) repeatable profile, offset and drift at each reading, the profile looked up in a fine table."""
    table = np.arange(2881) * (2 * np.pi / 2880)
    shape = surface.shape
    profile = harmonic_columns(table, shape.orders) @ surface.mean[shape.periodic]
    drift = surface.mean[0] + shape.drift_columns(time_s) @ surface.mean[1:3]
    return np.asarray(drift + np.interp(np.mod(angle_rad, 2 * np.pi), table, profile))


def _fit_gaussian(
    shape: Shape,
    columns: FloatArray,
    value: FloatArray,
    count: FloatArray,
    within_square: float,
    resolution_um: float,
) -> Surface:
    weighted = columns * count[:, None]
    gram = columns.T @ weighted
    product = weighted.T @ value
    square = float(count @ value**2) + within_square
    readings = float(count.sum())
    floor = max(resolution_um**2 / 12, 1e-6)
    variance = max(0.05 * square / readings, floor)
    prior = np.full(columns.shape[1], square / readings)
    trend = np.array([np.log(square / readings), 2.5])
    mean, covariance, freedom = product, gram, readings
    for _ in range(ROUNDS):
        covariance = np.linalg.inv(gram / variance + np.diag(1 / prior))
        mean = covariance @ product / variance
        known = np.clip(1 - np.diag(covariance) / prior, 0, 1)
        freedom = max(readings - float(known.sum()), 1.0)
        left = max(square - 2 * float(mean @ product) + float(mean @ gram @ mean), 0.0)
        variance = max(left / freedom, floor)
        prior, trend = _prior(shape, mean, np.diag(covariance), known, trend)
    return Surface(shape, mean, covariance, float(np.sqrt(variance)), int(readings), freedom, False)


def _cell_moments(
    fitted: FloatArray, value: FloatArray, half: float, noise: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of the noise, in its own units, given that the reading fell into its cell.

    Evaluated from the side away from zero with scaled error functions, so that a cell far out in the
    tail neither underflows nor loses its digits.
    """
    centre = (value - fitted) / noise
    side = np.where(centre < 0, -1.0, 1.0)
    low = np.abs(centre) - half / noise
    high = np.abs(centre) + half / noise
    shrink = np.exp(-np.minimum((high - low) * (high + low) / 2, 700.0))
    root = np.sqrt(0.5)
    mass = np.sqrt(np.pi / 2) * (erfcx(low * root) - shrink * erfcx(high * root))
    first = (1 - shrink) / mass
    second = 1 + (low - shrink * high) / mass
    return side * first, np.maximum(second - first**2, 1e-9)


def _fit_cells(start: Surface, columns: FloatArray, value: FloatArray, resolution_um: float) -> Surface:
    """Expectation propagation over the cells, the sizes of the orders renewed on the way."""
    shape = start.shape
    noise = 0.2 * resolution_um
    mean, covariance = start.mean, start.covariance
    freedom = start.freedom
    precision = np.full(value.size, 1 / start.noise_um**2)
    pull = precision * value
    trend = np.array([2 * np.log(max(np.abs(mean[1:]).max(), 1e-3)), 2.5])
    prior, trend = _prior(shape, mean, np.diag(covariance), np.ones(mean.size), trend)
    for _ in range(CELL_ROUNDS):
        spread = np.einsum("ij,ij->i", columns @ covariance, columns)
        without = np.maximum(1 / spread - precision, 0.01 / spread)
        fitted = (columns @ mean / spread - pull) / without
        total = np.sqrt(noise**2 + 1 / without)
        first, second = _cell_moments(fitted, value, resolution_um / 2, total)
        slope, bend = first / total, (1 - second) / total**2
        left = np.maximum(1 - bend / without, 1e-3)
        precision += 0.8 * (bend / left - precision)
        pull += 0.8 * ((slope + bend * fitted) / left - pull)
        moved = noise**2 / total**2 * (1 / without + noise**2 * (second + first**2))
        noise = float(np.clip(np.sqrt(np.mean(moved)), resolution_um / 40, resolution_um))
        covariance = np.linalg.inv(columns.T @ (columns * precision[:, None]) + np.diag(1 / prior))
        mean = covariance @ (columns.T @ pull)
        known = np.clip(1 - np.diag(covariance) / prior, 0, 1)
        freedom = max(value.size - float(known.sum()), 1.0)
        prior, trend = _prior(shape, mean, np.diag(covariance), known, trend)
    return Surface(shape, mean, covariance, noise, value.size, freedom, True)
