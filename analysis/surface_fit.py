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

from analysis.surface import Shape, Surface, choose_shape, slow_seen
from analysis.surface_cells import fit_cells, noise_leaves_cells
from analysis.surface_prior import TREND_SLOPE, renew_prior
from analysis.thinning import Rows
from analysis.trace import FloatArray

ROUNDS = 14
USUAL_ORDERS = 40
FINE_ORDERS = 100
TOP_STANDS_OUT = 2.0
FEWEST_TURNS_FOR_SLOW = 1.3


def fit_surface(rows: Rows, resolution_um: float = 0.0) -> Surface:
    """Estimate the surface; see the module for the method.

    The fit is done with 40 orders first. Slow movement is added where what is left shows it, and more
    orders where the highest of these still stand above the noise, as with a narrow bump.

    Args:
        rows: readings, or means of neighbouring ones.
        resolution_um: step of the indicator; 0 when it has none.
    """
    weight = np.ones(rows.angle_rad.size) if rows.weight is None else rows.weight
    readings = float(weight.sum())
    level = float(weight @ rows.reading_um) / readings
    value = rows.reading_um - level
    shape = choose_shape(rows.angle_rad, rows.time_s, USUAL_ORDERS)
    columns = shape.columns(rows.angle_rad, rows.time_s)
    surface = _fit_values(shape, columns, value, weight, rows.within_square, resolution_um)
    wider = _widen(surface, columns, value, weight, rows)
    if wider is not shape:
        shape, columns = wider, wider.columns(rows.angle_rad, rows.time_s)
        surface = _fit_values(shape, columns, value, weight, rows.within_square, resolution_um)
    if rows.weight is None and noise_leaves_cells(surface.noise_um, resolution_um):
        surface = fit_cells(surface, columns, value, resolution_um)
    mean = surface.mean.copy()
    mean[0] += level
    return replace(surface, mean=mean, used=int(readings))


def _widen(surface: Surface, columns: FloatArray, value: FloatArray, weight: FloatArray, rows: Rows) -> Shape:
    """The shape with slow movement and more orders, where the readings ask for them."""
    shape = surface.shape
    turns = float(np.ptp(rows.angle_rad)) / (2 * np.pi)
    wider = shape
    if turns >= FEWEST_TURNS_FOR_SLOW and rows.together == 1:
        left = value - columns @ surface.mean
        slow = slow_seen(shape, rows.angle_rad, left, weight, surface.noise_um)
        wider = replace(wider, slow_per_turn=slow) if slow.size else wider
    top = surface.mean[shape.periodic][3 * shape.orders // 2 :]
    by_noise = 2 * surface.noise_um**2 / float(weight.sum())
    if shape.orders == USUAL_ORDERS and float(np.mean(top**2)) > TOP_STANDS_OUT * by_noise:
        more = choose_shape(rows.angle_rad, rows.time_s, FINE_ORDERS).orders
        wider = replace(wider, orders=more) if more > shape.orders else wider
    return wider


def _fit_values(
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
