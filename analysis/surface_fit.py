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

Coarse steps, which the noise does not smear, are told in `surface_cells`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.surface import Shape, Surface, choose_shape
from analysis.surface_cells import fit_cells, noise_leaves_cells
from analysis.surface_prior import TREND_SLOPE, renew_prior
from analysis.trace import FloatArray

ROUNDS = 14


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
    if weight is None and noise_leaves_cells(surface.noise_um, resolution_um):
        surface = fit_cells(surface, columns, reading_um - level, resolution_um)
    mean = surface.mean.copy()
    mean[0] += level
    return replace(surface, mean=mean, used=readings)


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
    trend = np.array([np.log(square / readings), TREND_SLOPE])
    mean, covariance, freedom = product, gram, readings
    for _ in range(ROUNDS):
        covariance = np.asarray(np.linalg.inv(gram / variance + np.diag(1 / prior)), np.float64)
        mean = covariance @ product / variance
        known = np.clip(1 - np.diag(covariance) / prior, 0, 1)
        freedom = max(readings - float(known.sum()), 1.0)
        left = max(square - 2 * float(mean @ product) + float(mean @ gram @ mean), 0.0)
        variance = max(left / freedom, floor)
        prior, trend = renew_prior(shape, mean, np.diag(covariance), known, trend)
    return Surface(shape, mean, covariance, float(np.sqrt(variance)), int(readings), freedom, False)
