"""How large each part of the surface is expected to be, decided by the readings (empirical Bayes)."""

from __future__ import annotations

import numpy as np

from analysis.surface import Shape
from analysis.trace import FloatArray

LONE_ORDERS = 2  # have a size of their own; above, a falling trend is part of what is expected
TREND_WEIGHT = 4.0  # readings' worth of the trend in the size of an order
TREND_SLOPE = 2.5  # power of the order with which variance falls, before the readings are asked
SLOW_WEIGHT = 1.0  # readings' worth of "nothing moves slowly"
TREND_BEND_ORDER = 20
NO_PRIOR = 1e12


def first_trend(variance: float) -> FloatArray:
    """The trend before the readings are asked, from the variance expected at its first order."""
    return np.array([np.log(variance), TREND_SLOPE, 0.0])


def renew_prior(
    shape: Shape,
    mean: FloatArray,
    spread: FloatArray,
    known: FloatArray,
    trend: FloatArray,
    beside_variance: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Prior variances of the columns, and the renewed trend of the spectrum.

    Args:
        shape: the columns.
        mean: (p,) present coefficients.
        spread: (p,) their present variances.
        known: (p,) share, 0 to 1, of each coefficient that comes from the readings (MacKay's gamma).
        trend: logarithm of the expected variance at the first order of the trend, the power with which
            it falls, and how much faster it ends (a bump of some width has no orders beyond).
        beside_variance: (k,) of the columns after all others, which stay as they are.

    Orders follow MacKay's rule (square over what is known of it), the slow movement the slower
    expectation-maximisation rule: MacKay's puts a slow movement that looks like order 1 over two turns to
    exactly zero, and the uncertainty that it leaves in order 1 with it.
    """
    variance = np.empty(mean.size)
    square = mean**2
    variance[0] = NO_PRIOR
    variance[1:3] = square[1:3] / np.maximum(known[1:3], 1e-3)
    sizes = square[shape.periodic].reshape(-1, 2).sum(axis=1)
    weight = known[shape.periodic].reshape(-1, 2).sum(axis=1)
    pairs = sizes / np.maximum(weight, 1e-3)
    if shape.orders > LONE_ORDERS + 2:
        above = slice(LONE_ORDERS, None)
        trend, expected = _renew_trend(shape.orders, sizes[above], weight[above], trend)
        pairs[above] = (sizes[above] + TREND_WEIGHT * expected) / (weight[above] + TREND_WEIGHT)
    variance[shape.periodic] = np.repeat(pairs, 2)
    slow = (square + spread)[shape.slow].reshape(-1, 2).sum(axis=1)
    variance[shape.slow] = np.repeat(slow / (2 + SLOW_WEIGHT), 2)
    variance[shape.slow.stop :] = beside_variance
    return np.maximum(variance, 1e-8), trend


def _renew_trend(
    orders: int, sizes: FloatArray, weight: FloatArray, trend: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Two steps of a gamma regression of the squares on a power of the order; trend and its values."""
    order = np.arange(LONE_ORDERS + 1, orders + 1)
    basis = np.column_stack(
        [np.ones(order.size), -np.log(order / (LONE_ORDERS + 1)), -((order / TREND_BEND_ORDER) ** 2)]
    )
    for _ in range(2):
        expected = np.exp(np.clip(basis @ trend, -16, 12))
        gain = np.clip(sizes / expected - weight, -1, 4)
        normal = basis.T @ (basis * weight[:, None]) + np.diag([1e-2, 0.5, 0.1])
        pull = basis.T @ gain + np.array([0.0, 0.5 * (TREND_SLOPE - trend[1]), -0.1 * trend[2]])
        trend = trend + np.clip(np.linalg.solve(normal, pull), -2, 2)
        trend[1:] = np.clip(trend[1:], 0, 8)
    return trend, np.exp(np.clip(basis @ trend, -16, 12))
