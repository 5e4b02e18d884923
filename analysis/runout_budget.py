"""The parts of the uncertainty budget that belong to run-out, and the uncertainty of the orders."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import islice, zip_longest

import numpy as np

from analysis.draws import Drawn
from analysis.harmonics import Order, harmonic_columns, order_from_pair
from analysis.surface import Surface
from analysis.trace import FloatArray
from analysis.values import Cleaned, Component, Turns

HIGHEST_ORDER = 15

# Every factor below is from simulation, as `model_factor`, `_laid_over` and `angle_pattern_rad` tell: set so
# that intervals of 95 % hold the truth 93 to 97.5 times in a hundred. They cover what the linear model takes
# as known, for which there is no closed form; all else in the budget is the covariance of the fit itself.
PATTERN_ORDERS = 6
PATTERN_POINTS = 72
PATTERN_SMOOTHED = 1.15
PATTERN_UNSEEN_DEG = 1.7  # at order 1, falling as 1/order: what an even hand hides
PAIR_FACTOR = 1.8  # two indicators on one face: times what the joint fit of angle and profile says
PAIR_UNSEEN_DEG = 0.6  # the same, of an angle read from the delay between two indicators
CELLS_FACTOR = 1.2  # times steps per movement
NARROW_FACTOR = 1.4  # something narrow, which only orders above `NARROW_ORDERS` follow
NARROW_ORDERS = 15
NARROW_STANDS_OUT = 4.0
SLOW_FACTOR = 1.7
FOUND_FACTOR = 1.25
FOUND_CELLS_FACTOR = 1.1  # once more where the steps are coarse besides
STOPS_FACTOR = 1.5  # the way of a hand from stop to stop is known no better than its model
STOPS_ORDERS_FACTOR = 1.5  # once more for orders: what few places mix only the ways tell apart (simulated)
SLOW_ORDERS_FACTOR = 1.2
LAID_OVER = 0.3  # times the noise of a reading
PAIR_LAID_OVER = 0.55  # the same where two indicators on one face told the speed


def runout_components(
    cleaned: Cleaned, turns: Turns, surface: Surface, drawn: Drawn
) -> tuple[Component, ...]:
    """Budget of the judged movement: the spread of the drawn surfaces, told apart by where it comes from.

    The spread of the largest turn's movement over the drawn surfaces holds noise, steps, drift and what
    differs between turns together, with their correlations. It is split so that the parts add up to it
    again: drift by its own uncertainty between the angles of the largest and smallest value; the rest of
    the repeatable part's spread in the ratio of noise to rounding (step^2/12 a reading: many readings at
    many heights, so the rounding averages as noise does); what is left belongs to this turn alone.
    """
    largest = int(np.argmax(drawn.turns.mean(axis=0)))
    wider = model_factor(cleaned, turns, surface, drawn) ** 2
    whole = wider * float(drawn.turns[:, largest].var())
    repeats = min(wider * float(drawn.repeatable.var()), whole)
    drift = min(wider * _drift_variance(turns, surface, drawn), repeats)
    steps = _share_of_steps(cleaned.resolution_um, surface)
    freedom = max(surface.freedom, 1.0)
    used = surface.used
    parts = [
        Component(f"noise, {used} readings", math.sqrt((repeats - drift) * (1 - steps)), "A", freedom),
        Component(
            f"resolution {cleaned.resolution_um:g} um, averaged over {used} readings",
            math.sqrt((repeats - drift) * steps),
            "B",
        ),
        Component("drift of the holder within a turn", math.sqrt(drift), "A", freedom),
        Component("what differs from turn to turn", math.sqrt(whole - repeats), "A", freedom),
        Component("corrections of the readings", cleaned.correction_standard_um, "B"),
        Component("angle", _blur(cleaned, turns, surface, drawn), "B"),
        Component("turns laid over each other as they were found", _laid_over(turns, surface), "B"),
    ]
    return tuple(part for part in parts if part.standard_um > 0)


def model_factor(cleaned: Cleaned, turns: Turns, surface: Surface, drawn: Drawn) -> float:
    """By how much the spread of the drawn surfaces is too narrow for what the model takes as known.

    The draws take the sizes of the orders, the noise and the shape of the model as known. Where the
    readings fix these well (many readings, steps that the noise smears, a known angle) the spread is right
    as it is. The figures for the other cases are from simulation with a generator that shares no code with
    this model (profiles of 5 to 12 orders with and without a bump, slow movement at 0.40 to 0.46 a turn,
    hands of three kinds, steps of 0.5 to 12.7 um), set so that intervals of 95 % hold the true movement 93
    to 97.5 % of the time.
    """
    factor = 1.0
    if surface.cells:
        factor *= 1 + CELLS_FACTOR * cleaned.resolution_um / max(float(drawn.repeatable.mean()), 1e-6)
    if _is_narrow(surface):
        factor *= NARROW_FACTOR
    if surface.shape.slow_per_turn.size:
        factor *= SLOW_FACTOR
    if turns.found_by in ("self", "marks"):
        factor *= FOUND_FACTOR * (FOUND_CELLS_FACTOR if surface.cells else 1.0)
    if turns.found_by == "stops":
        factor *= STOPS_FACTOR
    return factor


def _is_narrow(surface: Surface) -> bool:
    """Whether orders above 15 together stand out of their uncertainty, as where there is a narrow bump."""
    high = slice(surface.shape.periodic.start + 2 * NARROW_ORDERS, surface.shape.periodic.stop)
    spread = np.diag(surface.covariance)[high]
    if not spread.size:
        return False
    return float(np.sum(surface.mean[high] ** 2)) > NARROW_STANDS_OUT * float(np.sum(spread))


def _drift_variance(turns: Turns, surface: Surface, drawn: Drawn) -> float:
    """Variance that the unknown drift puts between the largest and the smallest value of a turn."""
    apart = abs(int(np.argmax(drawn.profile)) - int(np.argmin(drawn.profile))) / drawn.profile.size
    turn_s = float(np.diff(turns.starts_s).mean())
    return float(surface.covariance[1, 1]) * (apart * turn_s / surface.shape.half_s) ** 2


def _share_of_steps(step_um: float, surface: Surface) -> float:
    """Share of a reading's variance that is rounding."""
    rounding = step_um**2 / 12
    whole = surface.noise_um**2 + (rounding if surface.cells else 0.0)
    return min(rounding / whole, 1.0) if whole > 0 else 0.0


def _blur(cleaned: Cleaned, turns: Turns, surface: Surface, drawn: Drawn) -> float:
    """What turns that are laid over each other with an angle error take off the largest and smallest value.

    Half the curvature there times the variance of the angle, um. That variance shows in the readings: where
    the surface is steep a wrong angle scatters them, by its slope. What they scatter beyond their own
    noise bounds it, and what is said of the angle bounds it too.
    """
    spread = math.radians(turns.angle_standard_deg)
    width = 2 * np.pi / drawn.profile.size
    steep = float(np.mean(_slope(drawn.profile) ** 2))
    scatter = max(surface.noise_um**2 - cleaned.noise_um**2, 0.0) if not surface.cells else 0.0
    seen = scatter / steep if steep > 0 else 0.0
    bend = (np.roll(drawn.profile, 1) + np.roll(drawn.profile, -1) - 2 * drawn.profile) / width**2
    ends = abs(bend[np.argmax(drawn.profile)]) + abs(bend[np.argmin(drawn.profile)])
    return float(ends * min(spread**2, seen) / 2)


def _laid_over(turns: Turns, surface: Surface) -> float:
    """What turns that were found, not measured, leave unseen, um: so many times the noise of a reading.

    Slow movement too small to stand out takes part in the finding, and a turn follows the noise a little
    where it is laid over the others. The figure is from simulation.
    """
    if turns.found_by not in ("self", "marks"):
        return 0.0
    return (PAIR_LAID_OVER if turns.order_standards_um else LAID_OVER) * surface.noise_um


def _slope(profile: FloatArray) -> FloatArray:
    """Slope of a closed profile, um/rad."""
    return np.asarray((np.roll(profile, -1) - np.roll(profile, 1)) * profile.size / (4 * np.pi), np.float64)


def orders_of(cleaned: Cleaned, turns: Turns, surface: Surface, drawn: Drawn) -> tuple[Order, ...]:
    """Orders 1 to 15, or as many as were fitted."""
    highest = min(HIGHEST_ORDER, surface.shape.orders)
    pairs = surface.mean[surface.shape.periodic].reshape(-1, 2)
    covariance = surface.covariance[surface.shape.periodic, surface.shape.periodic]
    if turns.found_by == "stops":
        covariance = covariance * (STOPS_FACTOR * STOPS_ORDERS_FACTOR) ** 2
    elif surface.shape.slow_per_turn.size:
        covariance = covariance * SLOW_ORDERS_FACTOR**2
    elif surface.cells:
        covariance = covariance * model_factor(cleaned, turns, surface, drawn) ** 2
    angles = angle_covariance(drawn.profile, angle_pattern_rad(turns, cleaned.trace.time_s), highest)
    orders = tuple(
        order_from_pair(
            order + 1,
            float(pairs[order, 0]),
            float(pairs[order, 1]),
            covariance[2 * order : 2 * order + 2, 2 * order : 2 * order + 2] + angles[order],
        )
        for order in range(highest)
    )
    joint = (PAIR_FACTOR * standard for standard in turns.order_standards_um)
    return tuple(
        one if standard is None else replace(one, standard_um=standard)
        for one, standard in zip_longest(orders, islice(joint, highest))
    )


def angle_pattern_rad(turns: Turns, time_s: FloatArray) -> FloatArray:
    """(PATTERN_ORDERS,) standard uncertainty, by order, of an angle error that comes back every turn.

    Where the angle was measured, this is the stated angle uncertainty, sizes falling as 1/order, averaged
    over the turns. Where it was found from the trace itself, a speed pattern that repeats every turn
    cannot be told from a change of the profile, and the finder takes the evenest turning. How large such a
    pattern may be shows in how unevenly each turn went: a hand whose turns differ by this much from even
    turning has, over n turns, a common part of 1/sqrt(n) of it. A turn that took no time tells nothing of
    the hand; where none took any, every order is allowed the whole of `speed_pattern_deg`. The factor for
    what the finder smooths away, and what an even hand still hides, are from simulation with hands of three
    kinds.
    """
    sizes = 1.0 / np.arange(1, PATTERN_ORDERS + 1)
    sizes *= math.radians(turns.angle_standard_deg) / math.sqrt(float(sizes @ sizes) * max(turns.complete, 1))
    if turns.speed_pattern_deg <= 0 or turns.angle_deg is None or turns.complete < 1:
        unseen_deg = PAIR_UNSEEN_DEG if turns.found_by in ("self", "marks") else 0.0
        unseen = math.radians(unseen_deg) / np.arange(1, PATTERN_ORDERS + 1)
        return np.asarray(np.hypot(sizes, unseen), np.float64)
    known = np.isfinite(turns.angle_deg)
    angle, at = np.maximum.accumulate(turns.angle_deg[known]), time_s[known]
    start = float(np.interp(turns.starts_s[0], at, angle))
    inside = np.linspace(0.0, 360.0, PATTERN_POINTS, endpoint=False)
    passed = np.array([np.interp(start + 360.0 * k + inside, angle, at) for k in range(turns.complete)])
    took = np.diff(turns.starts_s)[: turns.complete]
    timed = took > 0  # two beginnings at one time, where readings are missing, tell no speed
    unseen = math.radians(PATTERN_UNSEEN_DEG) / np.arange(1, PATTERN_ORDERS + 1)
    if not timed.any():
        return np.asarray(
            np.hypot(math.radians(turns.speed_pattern_deg), np.hypot(sizes, unseen)), np.float64
        )
    uneven = 2 * np.pi * (passed - passed[:, :1])[timed] / took[timed, None] - np.deg2rad(inside)
    waves = np.abs(np.fft.rfft(uneven, axis=1)[:, 1 : PATTERN_ORDERS + 1]) * 2 / PATTERN_POINTS
    common = PATTERN_SMOOTHED * np.sqrt((waves**2 / 2).mean(axis=0) / int(timed.sum()))
    return np.asarray(np.hypot(common, unseen), np.float64)


def angle_covariance(profile: FloatArray, pattern_rad: FloatArray, highest: int) -> FloatArray:
    """(highest, 2, 2) what an uncertain angle does to cosine and sine of each order, um squared.

    An angle that is wrong by d(angle) moves the profile by its slope times d(angle); cosine and sine of
    each order of the pattern count as independent and of equal size.
    """
    grid = np.linspace(0, 2 * np.pi, profile.size, endpoint=False)
    columns = harmonic_columns(grid, max(highest, pattern_rad.size))
    onto = 2 / profile.size * columns[:, : 2 * highest].T
    patterns = columns[:, : 2 * pattern_rad.size] * np.repeat(pattern_rad, 2)
    moved = onto @ (_slope(profile)[:, None] * patterns)
    pairs = moved.reshape(highest, 2, -1)
    return np.asarray(np.einsum("kap,kbp->kab", pairs, pairs), np.float64)
