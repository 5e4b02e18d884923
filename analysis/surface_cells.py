"""The surface from steps that are coarse against the noise: every reading is a cell, not a value.

A reading q of step d only says that surface plus noise lay between q - d/2 and q + d/2. Where the noise
does not smear the cells, rounding is no noise at all: it is decided by the surface, and a turn holds many
moments at which the surface crosses from one cell to the next, each known as sharply as the noise allows.
The likelihood of the cells is that of ordered probit. Its shape within a cell is flat, so a curvature at
one point says nothing; expectation propagation matches mean and variance over the whole cell instead
(Minka, UAI 2001; Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, 3.6; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import erfcx

from analysis.surface import Surface
from analysis.surface_prior import first_trend, renew_prior
from analysis.trace import FloatArray

ROUNDS = 24
DAMPING = 0.8
SMEARED = 0.3  # noise above this many steps leaves nothing of the cells
NOISE_START = 0.03  # in steps; from below, because a noise that starts large lets high orders in
NOISE_LEAST = 0.025
NOISE_MOST = 0.33
SETTLED = 1e-3  # steps: a fit that moves by less is done
HURRY = 4.0  # steps of expectation-maximisation taken at once for the noise, which alone is slow


@dataclass(frozen=True, slots=True, eq=False)
class _Sites:
    """What each cell says of the surface at its reading: a normal distribution, and the noise seen.

    Attributes:
        precision: (n,) inverse variance.
        pull: (n,) inverse variance times mean.
        noise_square: mean square of the noise.
    """

    precision: FloatArray
    pull: FloatArray
    noise_square: float


def noise_leaves_cells(scatter_um: float, step_um: float) -> bool:
    """Whether the noise is too small to smear the steps, from the scatter of the readings as rounded."""
    return step_um > 0 and scatter_um**2 - step_um**2 / 12 < (SMEARED * step_um) ** 2


def fit_cells(
    start: Surface, columns: FloatArray, value: FloatArray, step_um: float, beside_variance: FloatArray
) -> Surface:
    """Renew the surface with the likelihood of the cells.

    Args:
        start: the surface from the readings as values.
        columns: (n, p) columns of its shape.
        value: (n,) readings, um, less a level.
        step_um: step of the indicator.
        beside_variance: (k,) of the columns that the rows brought along.
    """
    shape = start.shape
    noise = NOISE_START * step_um
    mean, covariance, freedom = start.mean, start.covariance, start.freedom
    precision = np.full(value.size, 1 / start.noise_um**2)
    sites = _Sites(precision, precision * value, noise**2)
    trend = first_trend((0.1 * max(float(np.abs(mean[1:]).max()), 1e-3)) ** 2)
    ones = np.ones(mean.size)
    prior, trend = renew_prior(shape, mean, np.diag(covariance), ones, trend, beside_variance)
    last, solved = 0.0, prior
    for _ in range(ROUNDS):
        spread = np.einsum("ij,ij->i", columns @ covariance, columns)
        sites = _renew_sites(sites, columns @ mean, spread, value, step_um, noise)
        hurried = noise * (sites.noise_square / noise**2) ** (HURRY / 2)
        noise = float(np.clip(hurried, NOISE_LEAST * step_um, NOISE_MOST * step_um))
        solved = prior
        inverse = columns.T @ (columns * sites.precision[:, None]) + np.diag(1 / solved)
        covariance = np.asarray(np.linalg.inv(inverse), np.float64)
        before, mean = mean, covariance @ (columns.T @ sites.pull)
        known = np.clip(1 - np.diag(covariance) / prior, 0, 1)
        freedom = max(value.size - float(known.sum()), 1.0)
        prior, trend = renew_prior(shape, mean, np.diag(covariance), known, trend, beside_variance)
        if (
            float(np.abs(mean - before).max()) < SETTLED * step_um
            and abs(noise - last) < 10 * SETTLED * step_um
        ):
            break
        last = noise
    posed = start.posed and replace(
        start.posed,
        shape=shape,
        value_um=sites.pull / sites.precision,
        weight=sites.precision,
        variance=1.0,
        prior=solved,
    )
    return Surface(shape, mean, covariance, noise, value.size, freedom, cells=True, posed=posed)


def _renew_sites(
    sites: _Sites, fitted: FloatArray, spread: FloatArray, value: FloatArray, step_um: float, noise: float
) -> _Sites:
    """Match mean and variance of each cell against the surface that all other cells give."""
    without = np.maximum(1 / spread - sites.precision, 0.01 / spread)
    expected = (fitted / spread - sites.pull) / without
    total = np.sqrt(noise**2 + 1 / without)
    first, second = cell_moments(expected, value, step_um / 2, total)
    slope, bend = first / total, (1 - second) / total**2
    left = np.maximum(1 - bend / without, 1e-3)
    precision = sites.precision + DAMPING * (bend / left - sites.precision)
    pull = sites.pull + DAMPING * ((slope + bend * expected) / left - sites.pull)
    noise_square = noise**2 / total**2 * (1 / without + noise**2 * (second + first**2))
    return _Sites(precision, pull, float(np.mean(noise_square)))


def cell_moments(
    expected: FloatArray, value: FloatArray, half_um: float, noise: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of the noise, in its own units, given that the reading fell into its cell.

    Args:
        expected: (n,) values without noise, um.
        value: (n,) readings, the middles of their cells, um.
        half_um: half the width of a cell.
        noise: (n,) standard deviations, um.

    Evaluated from the side away from zero with scaled error functions, so that a cell far out in the
    tail neither underflows nor loses its digits.
    """
    centre = (value - expected) / noise
    side = np.where(centre < 0, -1.0, 1.0)
    low = np.maximum(np.abs(centre) - half_um / noise, -37.0)
    high = np.abs(centre) + half_um / noise
    shrink = np.exp(-np.minimum((high - low) * (high + low) / 2, 700.0))
    root = np.sqrt(0.5)
    mass = np.sqrt(np.pi / 2) * (erfcx(low * root) - shrink * erfcx(high * root))
    first = (1 - shrink) / mass
    second = 1 + (low - shrink * high) / mass
    return side * first, np.maximum(second - first**2, 1e-9)
