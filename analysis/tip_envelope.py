"""The surface over single tips: an upper envelope of orders 1 and 2 over an uneven angle.

A tip may read low (the plunger missed its top, or two tips ran together), hardly ever high. The envelope is
therefore fitted with one-sided weights: full above the fit, falling to nothing three standard deviations
below. The angle is not known; it is time, stretched by a smooth curve that the tips themselves decide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline

from analysis.harmonics import harmonic_columns
from analysis.trace import FloatArray

EVEN_ROUNDS = 6
ROUNDS = 12
KNOTS_PER_TURN = 4
HAND_STIFFNESS = 0.15  # standard deviation, in rad, of a second difference of the angle between knots
EVEN_STIFFNESS = 0.02  # the same where the tips are counted, so that their number is the angle
EVEN_WITHIN = 1.7
FEWEST_TIPS = 20
LEAST_SCATTER_UM = 0.5
ORDERS = 2
SHORTEST_TURN_TIPS = 12


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """The envelope of the tips.

    Attributes:
        angle_rad: (n,) cumulative angle of every tip.
        turns: turns from the first tip to the last.
        coefficients: mean, then cosine and sine of each order, um.
        scatter_um: standard deviation of the tips that reach the envelope.
        movement_um: largest minus smallest of the envelope, over the part of a turn that was seen.
        upper: (n,) weight of each tip, 0 to 1.
    """

    angle_rad: FloatArray
    turns: float
    coefficients: FloatArray
    scatter_um: float
    movement_um: float
    upper: FloatArray


def fit_envelope(time_s: FloatArray, top_um: FloatArray) -> Envelope:
    """Fit the envelope of tips.

    Args:
        time_s: (n,) time of each tip, or its row where the clock is coarse; rising.
        top_um: (n,) reading of each tip.

    Raises:
        ValueError: fewer than 20 tips.
    """
    if time_s.size < FEWEST_TIPS:
        raise ValueError(f"{time_s.size} tips are too few for an envelope")
    counted = counted_tips(time_s)
    position = time_s if counted is None else counted
    stiffness = HAND_STIFFNESS if counted is None else EVEN_STIFFNESS
    passed = (position - position[0]) / (position[-1] - position[0])
    fits = [_stretched(passed, top_um, turns, stiffness) for turns in _likely_turns(passed, top_um)]
    return min(fits, key=lambda fit: _badness(fit, time_s.size))


def _badness(fit: Envelope, tips: int) -> float:
    """Lower is better: scatter of the upper tips, per tip that reaches the envelope, and knots spent."""
    reached = float(fit.upper.sum())
    spent = KNOTS_PER_TURN * fit.turns + 2 * ORDERS + 1
    first = np.hypot(fit.coefficients[1], fit.coefficients[2])
    second = np.hypot(fit.coefficients[3], fit.coefficients[4])
    # Half the turns with order 2 in the place of order 1: a ring runs out of centre before it is oval.
    halved = tips if first < 0.3 * second else 0.0
    return float(tips * np.log(fit.scatter_um * tips / reached) + 0.5 * spent * np.log(tips) + halved)


def counted_tips(time_s: FloatArray) -> FloatArray | None:
    """(n,) number of each tip where none was missed and the tips come evenly; else None."""
    gap = np.diff(time_s)
    low, middle, high = np.quantile(gap, [0.05, 0.5, 0.95])
    if high > EVEN_WITHIN * middle or middle > EVEN_WITHIN * low:
        return None
    return np.arange(time_s.size, dtype=np.float64)


def envelope_columns(angle_rad: FloatArray) -> FloatArray:
    """(n, 5) mean, cosine and sine of orders 1 and 2."""
    return np.hstack([np.ones((angle_rad.size, 1)), harmonic_columns(angle_rad, ORDERS)])


def _one_sided(left: FloatArray, scatter: float) -> FloatArray:
    return np.clip(1 + left / (3 * scatter), 0.0, 1.0)


def _scatter(left: FloatArray) -> float:
    """Standard deviation from the side that is not pulled down: the median height of those above."""
    above = left[left > 0]
    spread = float(np.median(above)) / 0.6745 if above.size > 3 else float(left.std())
    return max(spread, LEAST_SCATTER_UM)


def _solve(
    design: FloatArray,
    weight: FloatArray,
    target: FloatArray,
    ridge: FloatArray | None = None,
    present: FloatArray | None = None,
) -> FloatArray:
    """Weighted least squares by the normal equations.

    Args:
        design: (n, p) columns.
        weight: (n,) weights.
        target: (n,) wanted.
        ridge: (p, p) price of the solution, which is a step away from `present`.
        present: (p,) where the step begins, when there is a ridge.
    """
    normal = design.T @ (design * weight[:, None])
    right = design.T @ (weight * target)
    if ridge is not None and present is not None:
        normal = normal + ridge
        right = right - ridge @ present
    normal = normal + np.diag(1e-9 * np.diag(normal) + 1e-12)
    return np.asarray(np.linalg.solve(normal, right), np.float64)


def _likely_turns(passed: FloatArray, top: FloatArray, most: int = 4) -> list[float]:
    """Turns that even turning would fit best, a few local best values."""
    highest = max(1.5, passed.size / SHORTEST_TURN_TIPS)
    tried = np.exp(np.arange(np.log(0.6), np.log(highest), 0.02))
    cost = np.empty(tried.size)
    for index, turns in enumerate(tried):
        columns = envelope_columns(2 * np.pi * turns * passed)[:, : 3 if turns < 1 else None]
        weight = np.ones(top.size)
        left = top
        for _ in range(4):
            left = top - columns @ _solve(columns, weight, top)
            weight = _one_sided(left, _scatter(left)) + 1e-3
        cost[index] = np.log(np.sqrt(weight @ left**2 / weight.sum()) / weight.mean())
    low = np.flatnonzero((cost[1:-1] <= cost[:-2]) & (cost[1:-1] <= cost[2:])) + 1
    if not low.size:
        low = np.array([int(np.argmin(cost))])
    return [float(tried[index]) for index in low[np.argsort(cost[low])][:most]]


def _angle_basis(
    passed: FloatArray, turns: float, stiffness: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Splines of the angle, their control points for even turning, and the price of uneven turning."""
    inner = max(3, round(KNOTS_PER_TURN * turns))
    knots = np.concatenate([np.zeros(3), np.linspace(0, 1, inner), np.ones(3)])
    basis = BSpline.design_matrix(np.clip(passed, 0, 1 - 1e-12), knots, 3).toarray()
    places = np.array([knots[k + 1 : k + 4].mean() for k in range(basis.shape[1])])
    # Divided differences: the control points lie closer at the ends, and an even speed must cost nothing.
    speed = np.diff(np.eye(places.size), axis=0) / np.diff(places)[:, None]
    second = np.diff(speed, axis=0) / (KNOTS_PER_TURN * turns * stiffness)
    return basis, 2 * np.pi * turns * places, second.T @ second


def _stretched(passed: FloatArray, top: FloatArray, turns: float, stiffness: float) -> Envelope:
    """Fit envelope and angle together, starting from even turning."""
    basis, bend, price = _angle_basis(passed, turns, stiffness)
    terms = 2 * ORDERS + 1
    ridge = np.zeros((terms + bend.size, terms + bend.size))
    ridge[terms:, terms:] = price
    found = np.zeros(terms)
    weight = np.ones(top.size)
    scatter = float(top.std())
    for turn in range(EVEN_ROUNDS + ROUNDS):
        angle = basis @ bend
        columns = envelope_columns(angle)
        if turn < EVEN_ROUNDS:
            found = _solve(columns, weight, top)
        else:
            design = np.hstack([columns, basis * _slope(found, angle)[:, None]])
            step = _solve(
                design, weight / scatter**2, top - columns @ found, ridge, np.concatenate([0 * found, bend])
            )
            found = found + step[:terms]
            bend = bend + np.clip(step[terms:], -0.3, 0.3)
        left = top - envelope_columns(basis @ bend) @ found
        scatter = _scatter(left)
        weight = _one_sided(left, scatter)
    angle = basis @ bend
    seen = angle[0] + np.linspace(0, min(float(angle[-1] - angle[0]), 2 * np.pi), 720)
    return Envelope(
        angle_rad=angle,
        turns=float(angle[-1] - angle[0]) / (2 * np.pi),
        coefficients=found,
        scatter_um=scatter,
        movement_um=float(np.ptp(envelope_columns(seen) @ found)),
        upper=weight,
    )


def _slope(found: FloatArray, angle: FloatArray) -> FloatArray:
    """Slope of the envelope over the angle, um/rad."""
    slope = np.zeros(angle.size)
    for order in range(1, ORDERS + 1):
        cosine, sine = found[2 * order - 1], found[2 * order]
        slope += order * (sine * np.cos(order * angle) - cosine * np.sin(order * angle))
    return slope
