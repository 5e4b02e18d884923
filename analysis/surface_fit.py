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

from analysis.surface import Posed, Shape, Surface, choose_shape, slow_seen
from analysis.surface_cells import fit_cells, noise_leaves_cells
from analysis.surface_prior import first_trend, renew_prior
from analysis.thinning import Rows
from analysis.trace import FloatArray

ROUNDS = 14
USUAL_ORDERS = 40
FINE_ORDERS = 64
MOST_ORDERS = 200
FEWEST_TURNS_TO_FOLD = 1.8
TOP_STANDS_OUT = 2.0
FEWEST_ORDERS = 15
SETTLED = 2e-3  # of the noise: a fit that moves by less is done
EMPTY = 0.01
FEWEST_TURNS_FOR_SLOW = 1.3
CAGE_PER_TURN = (0.415, 0.445)  # a cage goes round 0.40 to 0.46 times a turn of the hub
CAGE_STANDS_OUT = 18.5  # exceeded once in a thousand by chance


def fit_surface(rows: Rows, resolution_um: float = 0.0, most_orders: int = USUAL_ORDERS) -> Surface:
    """Estimate the surface; see the module for the method.

    The fit is done with 40 orders first. Slow movement is added where what is left shows it, and more
    orders where the highest of these still stand above the noise, as with a narrow bump.

    Args:
        rows: readings, or means of neighbouring ones.
        resolution_um: step of the indicator; 0 when it has none.
        most_orders: no more than these are tried at first; below 40, at all.
    """
    weight = np.ones(rows.angle_rad.size) if rows.weight is None else rows.weight
    readings = float(weight.sum())
    level = float(weight @ rows.reading_um) / readings
    value = rows.reading_um - level
    shape = choose_shape(rows.angle_rad, rows.time_s, most_orders)
    columns = _columns(shape, rows)
    surface = _fit_values(shape, columns, value, weight, rows, resolution_um)
    wider = _widen(surface, columns, value, weight, rows)
    if wider is not shape:
        shape, columns = wider, _columns(wider, rows)
        surface = _fit_values(shape, columns, value, weight, rows, resolution_um)
    surface, columns = _without_empty_orders(surface, columns)
    shape = surface.shape
    if rows.weight is None and noise_leaves_cells(surface.noise_um, resolution_um):
        surface = fit_cells(surface, columns, value, resolution_um, rows.beside_variance)
    own = shape.slow.stop
    mean, beside = surface.mean[:own].copy(), surface.mean[own:]
    mean[0] += level
    posed = surface.posed
    assert posed is not None  # both fits say what they solved
    return replace(
        surface,
        mean=mean,
        covariance=surface.covariance[:own, :own],
        beside=beside,
        used=int(readings),
        posed=replace(posed, value_um=posed.value_um + level, kept_orders=shape.orders),
    )


def _without_empty_orders(surface: Surface, columns: FloatArray) -> tuple[Surface, FloatArray]:
    """The fit without its highest orders, where all of these together are next to nothing.

    What they and their uncertainty add up to is then below a hundredth of one reading's noise.
    """
    periodic = surface.shape.periodic
    square = (surface.mean**2 + np.diag(surface.covariance))[periodic].reshape(-1, 2).sum(axis=1)
    above = np.cumsum(square[::-1])[::-1]
    needed = int(np.sum(above > (EMPTY * surface.noise_um) ** 2))
    orders = min(surface.shape.orders, max(needed, FEWEST_ORDERS))
    if orders == surface.shape.orders:
        return surface, columns
    keep = np.ones(surface.mean.size, np.bool_)
    keep[periodic.start + 2 * orders : periodic.stop] = False
    return replace(
        surface,
        shape=replace(surface.shape, orders=orders),
        mean=surface.mean[keep],
        covariance=surface.covariance[np.ix_(keep, keep)],
    ), columns[:, keep]


def _columns(shape: Shape, rows: Rows) -> FloatArray:
    own = shape.columns(rows.angle_rad, rows.time_s)
    return own if rows.beside is None else np.hstack([own, rows.beside])


def _widen(surface: Surface, columns: FloatArray, value: FloatArray, weight: FloatArray, rows: Rows) -> Shape:
    """The shape with slow movement and more orders, where the readings ask for them."""
    shape = surface.shape
    turns = float(np.ptp(rows.angle_rad)) / (2 * np.pi)
    wider = shape
    if turns >= FEWEST_TURNS_FOR_SLOW and rows.together == 1:
        left = value - columns @ surface.mean
        slow = _slow_in(left, shape, columns, weight, rows, surface.noise_um)
        wider = replace(wider, slow_per_turn=slow) if slow.size else wider
    if shape.orders < USUAL_ORDERS:
        return wider
    top = surface.mean[shape.periodic][3 * shape.orders // 2 :]
    by_noise = 2 * surface.noise_um**2 / float(weight.sum())
    left = value - columns @ surface.mean
    most = 0
    if turns >= FEWEST_TURNS_TO_FOLD and _comes_back(rows.angle_rad, left, weight, surface.noise_um):
        most = min(MOST_ORDERS, int(rows.angle_rad.size / turns / 5))
    if float(np.mean(top**2)) > TOP_STANDS_OUT * by_noise:
        most = max(most, FINE_ORDERS)
    more = choose_shape(rows.angle_rad, rows.time_s, most).orders
    return replace(wider, orders=more) if more > shape.orders else wider


def _slow_in(
    left_um: FloatArray, shape: Shape, columns: FloatArray, weight: FloatArray, rows: Rows, noise_um: float
) -> FloatArray:
    """Frequencies of slow movement: the cage's alone where they explain it, else all that stand out.

    A bearing whose cage carries a wobble round is by far the commonest reason. Two frequencies span where a
    cage goes round; every further one that may move freely makes orders 1 and 2 less sure. Over few turns the
    orders take most of a wobble with them, so the cage is looked for in what it has of its own: the fall of
    the sum of squares, over noise, is chi-squared with four degrees of freedom where there is none.
    """
    cage = replace(shape, slow_per_turn=np.array(CAGE_PER_TURN)).slow_columns(rows.angle_rad)
    weighted = columns * weight[:, None]
    gram = columns.T @ weighted + 1e-9 * float(weight.sum()) * np.eye(columns.shape[1])
    own = cage - columns @ np.linalg.solve(gram, weighted.T @ cage)
    pull = own.T @ (left_um * weight)
    inner = own.T @ (own * weight[:, None]) + 1e-6 * float(weight.sum()) * np.eye(4)
    found = np.linalg.solve(inner, pull)
    if float(pull @ found) < CAGE_STANDS_OUT * noise_um**2:
        return slow_seen(shape, rows.angle_rad, left_um, weight, noise_um)
    slow = slow_seen(shape, rows.angle_rad, left_um - own @ found, weight, noise_um)
    return slow if slow.size else np.array(CAGE_PER_TURN)


def _comes_back(angle_rad: FloatArray, left_um: FloatArray, weight: FloatArray, noise_um: float) -> bool:
    """Whether what a fit left over is alike at one angle in all turns, more than noise would be.

    The weighted squares of the means at each angle are chi-squared, with a degree of freedom an angle,
    where there is only noise; four of its standard deviations above its mean is taken as alike.
    """
    places = 720
    place = np.minimum((np.mod(angle_rad / (2 * np.pi), 1.0) * places).astype(np.intp), places - 1)
    count = np.bincount(place, weights=weight, minlength=places)
    total = np.bincount(place, weights=weight * left_um, minlength=places)
    seen = count > 0
    alike = float(np.sum(total[seen] ** 2 / count[seen])) / noise_um**2
    freedom = int(seen.sum())
    return alike > freedom + 4 * float(np.sqrt(2 * freedom))


def _fit_values(
    shape: Shape,
    columns: FloatArray,
    value: FloatArray,
    count: FloatArray,
    rows: Rows,
    resolution_um: float,
) -> Surface:
    weighted = columns * count[:, None]
    gram = columns.T @ weighted
    product = weighted.T @ value
    square = float(count @ value**2) + rows.within_square
    readings = float(count.sum())
    floor = max(resolution_um**2 / 12, 1e-6)
    variance = max(0.05 * square / readings, floor)
    size = max(square / readings, floor)  # readings that all are the same say no less than their step
    prior = np.full(columns.shape[1], size)
    prior[shape.slow.stop :] = rows.beside_variance
    trend = first_trend(size)
    mean, covariance, freedom = product, gram, readings
    solved = (variance, prior)
    for _ in range(ROUNDS):
        solved = (variance, prior)
        covariance = np.asarray(np.linalg.inv(gram / variance + np.diag(1 / prior)), np.float64)
        before, mean = mean, covariance @ product / variance
        known = np.clip(1 - np.diag(covariance) / prior, 0, 1)
        freedom = max(readings - float(known.sum()), 1.0)
        left = max(square - 2 * float(mean @ product) + float(mean @ gram @ mean), 0.0)
        variance = max(left / freedom, floor)
        prior, trend = renew_prior(shape, mean, np.diag(covariance), known, trend, rows.beside_variance)
        if float(np.abs(mean - before).max()) < SETTLED * np.sqrt(variance):
            break
    posed = Posed(shape, rows.angle_rad, rows.time_s, value, count, *solved, rows.beside)
    noise_um = float(np.sqrt(variance))
    return Surface(shape, mean, covariance, noise_um, int(readings), freedom, cells=False, posed=posed)
