"""What no analysis can do better: Cramér-Rao bounds of the orders' amplitudes, from the simulator's truth."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.draws import draw
from analysis.surface_fit import fit_surface
from analysis.thinning import Rows
from analysis.values import Cleaned
from simulators.recording import Recording

BOUND_ORDERS = 20
WIDEST_UM = (60.0, 25.0)  # the largest tilt and saddle that are simulated
CAGE_UM = 0.2  # what a sound cage's wobble usually has, cosine or sine


def bounds_um(recording: Recording, cleaned: Cleaned) -> tuple[float, ...]:
    """Cramér-Rao bound of the amplitudes of orders 1 and 2, with the angle of every reading known.

    Nuisance: offset, even drift, orders to 20, and the two coefficients of the cage's slow wobble at its
    true frequency where there is one. White noise: the indicator's own and step^2/12. For a linear model the
    bound is the least-squares covariance (S. Kay, Fundamentals of Statistical Signal Processing, 1993, 3.7).
    With a second indicator on the same face its readings count too. From stops, only readings at rest count,
    of which those of one rest are one, and the orders have the sizes that the generator gives them as a
    prior (the bound of H. van Trees, Detection, Estimation and Modulation Theory I, 1968, 2.4).
    """
    truth, gauge = recording.truth, recording.truth.workshop.gauge
    step_um = recording.resolution_nm / 1000.0
    variance = gauge.noise_um**2 + step_um**2 / 12.0
    raw = np.asarray(truth.angle_deg, dtype=np.float64)
    kept = raw[cleaned.kept] if cleaned.kept.size == raw.size else raw
    moving = kept[(kept > truth.turn.start_deg) & (kept < truth.turn.end_deg)]
    if any(hold.kind == "stop" for deed in truth.deeds for hold in deed.motion.holds):
        return stop_bounds_um(recording, variance)
    touches = truth.workshop.second_touches
    places = [0.0, touches.at_deg] if recording.length2_nm is not None and touches.what == "face" else [0.0]
    cage = truth.turn.bearing
    parts = []
    for number, at_deg in enumerate(places):
        own = np.zeros((moving.size, 2 * len(places)))
        own[:, 2 * number] = 1.0
        own[:, 2 * number + 1] = np.linspace(-1.0, 1.0, moving.size)
        slow = np.deg2rad(cage.cage_per_turn * moving - at_deg)
        wobble = [np.cos(slow), np.sin(slow)] if cage.cage_um > 0.0 else []
        parts.append(np.column_stack([*waves(np.deg2rad(moving - at_deg)), *wobble, own]))
    design = np.vstack(parts)
    return amplitudes_from(np.linalg.inv(design.T @ design) * variance, recording)


def stop_bounds_um(recording: Recording, variance: float) -> tuple[float, ...]:
    """The bound from the rests alone, each at its true angle.

    Readings on the way count for nothing here, so an analysis that finds how the hand went comes out below
    it; that a stop is known only to half a degree of its stud is left out too, which works the other way.
    """
    rests = [
        deed.starts_s + 0.5 * (hold.starts_s + hold.ends_s)
        for deed in recording.truth.deeds
        for hold in deed.motion.holds
    ]
    at = np.deg2rad(np.interp(rests, recording.time_s, recording.truth.angle_deg))
    ones = [np.ones(at.size), np.linspace(-1.0, 1.0, at.size)]
    design = np.column_stack([*waves(at), *ones])
    prior = np.concatenate([order_priors(recording), [0.0, 0.0]])
    return amplitudes_from(np.linalg.inv(design.T @ design / variance + np.diag(prior)), recording)


def waves(angle_rad: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Cosine and sine of every order."""
    return [wave(order * angle_rad) for order in range(1, BOUND_ORDERS + 1) for wave in (np.cos, np.sin)]


def amplitudes_from(covariance: NDArray[np.float64], recording: Recording) -> tuple[float, ...]:
    """Standard deviations of two amplitudes from the covariance of their cosines and sines."""
    found = []
    for order in recording.truth.turn.orders[:2]:
        phase = math.radians(order.order * order.peak_deg)
        along = np.array([math.cos(phase), math.sin(phase)])
        place = 2 * (order.order - 1)
        found.append(math.sqrt(float(along @ covariance[place : place + 2, place : place + 2] @ along)))
    return tuple(found)


def order_priors(recording: Recording) -> NDArray[np.float64]:
    """Precision of cosine and sine of every order, of the sizes that the generator gives them."""
    small = [max(one.amplitude_um, 1e-3) ** 2 / 2.0 for one in recording.truth.turn.orders[2:BOUND_ORDERS]]
    return np.repeat(np.concatenate([np.square(WIDEST_UM), small]) ** -1.0, 2)


def pair_bounds_um(recording: Recording) -> tuple[float, ...]:
    """The bound from two indicators on one face when nothing but their readings tells the angle.

    The hub's position at every reading is an unknown of its own, without any prior on how a hand turns, so
    each instant's two readings pay for one angle. Nuisance as in `bounds_um`; the orders have the sizes that
    the generator gives them as a prior (van Trees), without which some angles between the two leave a
    pattern of the speed unknown altogether: three a turn at 120 degrees, four at 90, five at 72.
    """
    truth, gauge = recording.truth, recording.truth.workshop.gauge
    variance = gauge.noise_um**2 + (recording.resolution_nm / 1000.0) ** 2 / 12.0
    raw = np.asarray(truth.angle_deg, dtype=np.float64)
    moving = np.deg2rad(raw[(raw > truth.turn.start_deg) & (raw < truth.turn.end_deg)])
    apart = math.radians(truth.workshop.second_touches.at_deg)
    pairs = np.zeros(2 * BOUND_ORDERS)
    for one in truth.turn.orders[:BOUND_ORDERS]:
        phase = math.radians(one.order * one.peak_deg)
        pairs[2 * one.order - 2 : 2 * one.order] = one.amplitude_um * np.array(
            [math.cos(phase), math.sin(phase)]
        )
    order = np.arange(1, BOUND_ORDERS + 1)
    turned = np.empty_like(pairs)  # cosine and sine of the slope
    turned[0::2], turned[1::2] = order * pairs[1::2], -order * pairs[0::2]
    dense: NDArray[np.float64] = np.zeros((2 * BOUND_ORDERS + 6, 2 * BOUND_ORDERS + 6))
    across = np.zeros((moving.size, dense.shape[0]))
    steep = np.full(moving.size, 1e-9)
    for number, at in enumerate((moving, moving - apart)):
        own = np.zeros((moving.size, 4))
        own[:, 2 * number], own[:, 2 * number + 1] = 1.0, np.linspace(-1.0, 1.0, moving.size)
        slow = truth.turn.bearing.cage_per_turn * moving - number * apart
        design = np.column_stack([*waves(at), np.cos(slow), np.sin(slow), own])
        slope = np.column_stack(waves(at)) @ turned
        dense += design.T @ design / variance
        across += slope[:, None] * design / variance
        steep += slope**2 / variance
    steep[0] += 1e8  # the angle is counted from the first reading
    cage = [max(CAGE_UM, truth.turn.bearing.cage_um) ** -2.0] * 2
    dense += np.diag(np.concatenate([order_priors(recording), cage, np.zeros(4)]))
    return amplitudes_from(np.linalg.inv(dense - across.T @ (across / steep[:, None])), recording)


def off_with_known_angle_um(recording: Recording, cleaned: Cleaned) -> float:
    """Error of the repeatable run-out when the true angle of every reading is given to the same fit.

    What the readings of a series of stops carry at best: they are few, and most of them at few places.
    """
    trace = cleaned.trace
    angle = np.deg2rad(np.interp(trace.time_s, recording.time_s, recording.truth.angle_deg))
    rows = Rows(angle, trace.time_s, trace.reading_um, None, within_square=0.0, together=1)
    drawn = draw(fit_surface(rows, cleaned.resolution_um), float(angle[0]), 1)
    return float(drawn.repeatable.mean()) - recording.truth.turn.repeatable_um
