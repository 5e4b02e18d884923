"""A bore swept once round or more by an indicator whose angle is known: circle, orders, out-of-round."""

from __future__ import annotations

import math

import numpy as np

from analysis import uncertainty as budget
from analysis.cleaning import step_of
from analysis.harmonics import SineFit, fit_orders, harmonic_columns, order_from_pair
from analysis.judge import Judgement, judge
from analysis.results import Counts, OrderOut, PointsTo, Reason, Verdict
from analysis.results_bore import BoreResult
from analysis.told import limit_out, uncertainty_out
from analysis.trace import FloatArray, Trace
from analysis.values import Component, Note, Setup
from config.lengths import mm_from_um
from config.limits import Limit

LARGEST_GAP_DEG = 20.0
FEWEST_READINGS = 24
MOST_ORDERS, TOLD_ORDERS = 50, 15
READINGS_PER_ORDER = 6
GRID_POINTS = 1440
_GRID_RAD = np.radians(np.arange(GRID_POINTS, dtype=np.float64) * (360.0 / GRID_POINTS))


def is_sweep(trace: Trace) -> bool:
    """The angle column goes round the whole bore without a gap above 20 degrees."""
    if trace.angle_deg is None or len(trace) < FEWEST_READINGS:
        return False
    inside = np.unique(np.mod(trace.angle_deg, 360.0))
    gaps = np.diff(np.append(inside, inside[0] + 360.0))
    return bool(inside.size >= FEWEST_READINGS // 2 and gaps.max() <= LARGEST_GAP_DEG)


def measure_sweep(
    trace: Trace,
    counts: Counts,
    *,
    limit: Limit | None,
    setup: Setup,
    file: str | None,
    ring_mm: float | None,
) -> BoreResult:
    """Least-squares circle and orders of a swept bore.

    Judged is the radial peak to valley of orders 2 to 50 about the least-squares circle (ISO 12181-1).

    Args:
        trace: rejected readings left out; `angle_deg` round the whole bore.
        counts: of the trace as captured.
        limit: largest out-of-round.
        setup: what is known of the indicator.
        file: named in the result.
        ring_mm: the bore's diameter as far as known, to take off what an eccentric axis adds to order 2
            (e^2/(4 R), the cosine part of the distance from a point off the centre).
    """
    step = step_of(trace.reading_um, trace.resolution_um)
    highest, fit = _fit(trace)
    freedom = len(trace) - 2 * highest - 1
    noise = max(math.sqrt(fit.residual_sum_of_squares / freedom), step / math.sqrt(12.0))
    profile, eccentricity, notes = _shape(fit, ring_mm)
    out_of_round, two_point = float(np.ptp(profile)), _two_point(profile)
    spread = budget.combine(_components(fit, profile, step, noise, freedom, out_of_round, setup))
    judged = judge(out_of_round, spread, limit)
    return BoreResult(
        file=file,
        method="swept",
        readings=counts,
        resolution_mm=mm_from_um(step),
        value_mm=mm_from_um(out_of_round),
        judged_as="radial out-of-round about the least-squares circle",
        uncertainty_mm=uncertainty_out(spread),
        limit_mm=limit_out(limit),
        verdict=judged.verdict,
        conformity_probability=judged.conformity_probability,
        points_to=knuckle(judged.verdict),
        reasons=tuple(
            Reason(code=note.code, text=note.text) for note in (*notes, *_shape_notes(judged, out_of_round))
        ),
        two_point_difference_mm=mm_from_um(two_point),
        out_of_round_mm=mm_from_um(out_of_round),
        per_turn_orders=tuple(_order_out(n, fit) for n in range(1, min(highest, TOLD_ORDERS) + 1)),
        eccentricity_mm=mm_from_um(eccentricity),
        noise_mm=mm_from_um(noise),
    )


def _fit(trace: Trace) -> tuple[int, SineFit]:
    """As many orders as the readings carry."""
    assert trace.angle_deg is not None
    distinct = np.unique(np.round(np.mod(trace.angle_deg, 360.0), 1)).size
    highest = max(2, min(MOST_ORDERS, distinct // READINGS_PER_ORDER))
    return highest, fit_orders(trace.angle_deg, trace.reading_um, highest)


def _shape(fit: SineFit, ring_mm: float | None) -> tuple[FloatArray, float, list[Note]]:
    """The wall on the grid without its mean and first order, the eccentricity taken off, and what to say."""
    pairs = fit.coefficients[1:].reshape(-1, 2).copy()
    eccentricity = math.hypot(*pairs[0])
    notes = _take_off_eccentricity(pairs, eccentricity, ring_mm)
    pairs[0] = 0.0
    return harmonic_columns(_GRID_RAD, len(pairs)) @ pairs.ravel(), eccentricity, notes


def _two_point(profile: FloatArray) -> float:
    """Largest difference of diameters."""
    half = profile.size // 2
    return float(np.ptp(profile[:half] + profile[half:]))


def _shape_notes(judged: Judgement, out_of_round_um: float) -> list[Note]:
    notes = list(judged.notes)
    if judged.verdict == "over":
        text = f"Out of round by {out_of_round_um / 1000.0:.4f} mm: the bore gives its shape to the race."
        notes.append(Note("bore_distorted", text))
    return notes


def _take_off_eccentricity(pairs: FloatArray, eccentricity: float, ring_mm: float | None) -> list[Note]:
    """Order 2 that the eccentric axis alone makes, taken off the pairs where the size is known.

    The wall's distance from a point e off the centre is R - e^2/(4R) + e cos u + e^2/(4R) cos 2u to second
    order. The plunger pushed in is a smaller distance, so the reading has it with the other sign.
    """
    if ring_mm is None:
        return []
    added = eccentricity**2 / (2000.0 * ring_mm)
    peak = math.atan2(pairs[0, 1], pairs[0, 0])
    pairs[1] += added * np.array([math.cos(2.0 * peak), math.sin(2.0 * peak)])
    text = (
        f"The axis stood {eccentricity / 1000.0:.4f} mm off centre; {added:.3f} um of order 2 were taken off."
    )
    return [Note("eccentricity_corrected", text)]


def _components(
    fit: SineFit,
    profile: FloatArray,
    step: float,
    noise: float,
    freedom: int,
    value_um: float,
    setup: Setup,
) -> tuple[Component, ...]:
    high, low = int(np.argmax(profile)), int(np.argmin(profile))
    highest = (fit.coefficients.size - 1) // 2
    columns = harmonic_columns(_GRID_RAD[[high, low]], highest)
    shape = np.linalg.norm((columns[0] - columns[1])[2:] * fit.standard[3:])
    floor = noise / max(math.sqrt(fit.residual_sum_of_squares / freedom), 1e-12)
    return (
        Component("readings about the fitted orders", float(shape * max(1.0, floor)), "A", float(freedom)),
        Component(f"resolution {step:g} um, difference of two readings", step / math.sqrt(6.0), "B"),
        *budget.instrument(value_um, setup),
    )


def _order_out(order: int, fit: SineFit) -> OrderOut:
    cosine, sine = (float(v) for v in fit.coefficients[2 * order - 1 : 2 * order + 1])
    covariance = np.diag(fit.standard[2 * order - 1 : 2 * order + 1] ** 2)
    told = order_from_pair(order, cosine, sine, covariance)
    return OrderOut(
        order=order,
        amplitude_mm=mm_from_um(told.amplitude_um),
        standard_mm=mm_from_um(told.standard_um),
        peak_deg=told.peak_deg,
    )


def knuckle(verdict: Verdict | None) -> tuple[PointsTo, ...]:
    """A bore that is over points to the knuckle."""
    if verdict != "over":
        return ()
    why = "The bore is out of its limits: a bearing pressed into it fails early, so it must not go in."
    return (PointsTo(part="knuckle", why=why),)
