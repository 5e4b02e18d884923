"""Measurement uncertainty after JCGM 100:2008 (GUM): from the sources to an interval of about 95 %.

A budget is a tuple of `Component`. The helpers below turn what is known of the instrument and of the
readings into components; `combine` adds them up. Everything is in micrometres, as a standard uncertainty
in the judged figure. That figure is always a difference of two readings (largest and smallest of a turn,
pulled and pushed), so whatever shifts both readings alike never appears here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from analysis.values import Component, Setup, Uncertainty

COVERAGE = 0.95
"""Level of confidence of every expanded uncertainty that is stated."""


def rectangular_um(half_width_um: float) -> float:
    """Standard uncertainty of a value known only to lie within +-`half_width_um` (JCGM 100, 4.3.7)."""
    return half_width_um / math.sqrt(3.0)


def triangular_um(half_width_um: float) -> float:
    """Standard uncertainty of a triangular distribution of that half-width (JCGM 100, 4.3.9)."""
    return half_width_um / math.sqrt(6.0)


def coverage_factor(degrees_of_freedom: float, level: float = COVERAGE) -> float:
    """Student's t for a two-sided interval of `level`, with the degrees of freedom cut to a whole number.

    Cutting, not rounding, is what JCGM 100, G.4.1 allows for a table look-up; below 1 it is taken as 1.
    Infinity gives the normal quantile.
    """
    from scipy.special import ndtri, stdtrit  # heavy: a station that starts judges nothing yet

    upper = 0.5 + level / 2.0
    if math.isinf(degrees_of_freedom):
        return float(ndtri(upper))
    return float(stdtrit(max(1, math.floor(degrees_of_freedom)), upper))


def effective_degrees_of_freedom(components: Sequence[Component]) -> float:
    """Welch-Satterthwaite (JCGM 100, G.2b); infinity when no component has finite degrees of freedom."""
    largest_um = max((part.standard_um for part in components), default=0.0)
    if largest_um == 0.0:
        return math.inf
    # Scaled by the largest, so that fourth powers of tiny values do not vanish.
    shares = [(part.standard_um / largest_um, part.degrees_of_freedom) for part in components]
    fourth = sum(share**4 / dof for share, dof in shares if not math.isinf(dof))
    return sum(share**2 for share, _ in shares) ** 2 / fourth if fourth > 0.0 else math.inf


def combine(components: Iterable[Component], level: float = COVERAGE) -> Uncertainty:
    """Root-sum-square of independent components, effective degrees of freedom, factor, expanded value.

    Args:
        components: sources whose standard uncertainties already refer to the judged figure, um.
        level: level of confidence of the expanded uncertainty.

    Raises:
        ValueError: a component is negative or not finite, or has no degrees of freedom.

    Source: JCGM 100:2008, 5.1.2 (sum), G.4 (degrees of freedom, coverage factor). Where rectangular
    components rule, the factor is that of the real sum of the distributions (JCGM 101:2008).
    """
    budget = tuple(components)
    for part in budget:
        if not (math.isfinite(part.standard_um) and part.standard_um >= 0.0):
            raise ValueError(f"{part.source}: standard uncertainty {part.standard_um} um is not usable")
        if not part.degrees_of_freedom > 0.0:
            raise ValueError(f"{part.source}: {part.degrees_of_freedom} degrees of freedom")
    standard_um = math.hypot(*(part.standard_um for part in budget))
    freedom = effective_degrees_of_freedom(budget)
    factor = coverage_factor(freedom, level) * _narrower(budget, level)
    return Uncertainty(standard_um, factor, factor * standard_um, freedom, budget)


def _narrower(components: Sequence[Component], level: float) -> float:
    """Quantile of the sum of normal and rectangular components, over that of a normal of the same spread.

    1.645/1.96 for one rectangle alone (its quantile is 0.95 sqrt(3)), 1.90/1.96 for two alike, 1 for many.
    """
    whole = math.hypot(*(part.standard_um for part in components))
    boxes = [
        math.sqrt(3.0) * part.standard_um / whole
        for part in components
        if part.distribution == "rectangular" and part.standard_um > 0.05 * whole
    ]
    if not boxes:
        return 1.0
    rest = max(0.005, 1.0 - sum(half * half for half in boxes) / 3.0)
    at = np.linspace(0.0, 12.0 / math.sqrt(rest), 4000)[1:]
    characteristic = np.exp(-0.5 * rest * at * at) * np.prod(
        [np.sinc(half * at / np.pi) for half in boxes], axis=0
    )
    step = float(at[1] - at[0])

    def missing(reach: float) -> float:
        inside = characteristic * np.sin(at * reach) / at
        return 2.0 / math.pi * step * (0.5 * reach + float(inside.sum())) - level

    from scipy.optimize import brentq
    from scipy.special import ndtri

    normal = float(ndtri(0.5 + level / 2.0))
    return min(1.0, float(brentq(missing, 0.5, 2.0 * normal)) / normal)


def resolution(step_um: float) -> Component:
    """The indicator's step in a difference of two readings: each within half a step, so triangular."""
    return Component(f"resolution {step_um:g} um, difference of two readings", triangular_um(step_um), "B")


def mean_of_steps_um(step_um: float, scatter_um: float) -> float:
    """Standard uncertainty that rounding to steps leaves in the mean of many readings of one level.

    Readings that all sit on one step give step / sqrt(12). Noise dithers them: the rounding error of the
    mean, over all positions of the level between two steps, is a Fourier series whose terms fall off with
    exp(-(2 pi k noise / step)^2 / 2).

    Args:
        step_um: the indicator's step.
        scatter_um: standard deviation of the readings as they were read, rounding included.

    Source: B. Widrow, I. Kollar, Quantization Noise, Cambridge University Press 2008 (characteristic
    function of the rounding error of a Gaussian); the series is derived from it, from memory.
    """
    if step_um <= 0.0:
        return 0.0
    noise = _noise_before_rounding(scatter_um / step_um)
    terms = (math.exp(-((2.0 * math.pi * k * noise) ** 2)) / k**2 for k in range(1, 40))
    return step_um * math.sqrt(math.fsum(terms) / (2.0 * math.pi**2))


def _noise_before_rounding(scatter: float) -> float:
    """The noise that gives this scatter on the mean over all positions of a level, both in steps.

    Small noise toggles a step only near its edge: variance noise / sqrt(pi). Large noise adds the
    rounding error's own variance of 1/12. The two meet at a noise of 0.3 steps.
    """
    variance = scatter * scatter
    if variance < 0.3 / math.sqrt(math.pi):
        return variance * math.sqrt(math.pi)
    return math.sqrt(variance - 1.0 / 12.0)


def permissible_error(setup: Setup) -> Component | None:
    """The indicator's permissible error, rectangular; None when the maker's figure is not known.

    The figure over a short travel is used when it was given. Otherwise the whole range's is taken, which
    is on the safe side, and the source text says so.
    """
    local_um, whole_um = setup.permissible_local_error_um, setup.permissible_error_um
    if local_um is not None:
        text = f"permissible error of the indicator over a short travel, +-{local_um:g} um"
        return Component(text, rectangular_um(local_um), "B")
    if whole_um is not None:
        text = (
            f"permissible error of the indicator, +-{whole_um:g} um, stated for its whole range and "
            "assumed for this short travel too"
        )
        return Component(text, rectangular_um(whole_um), "B")
    return None


def mean_and_deviation(values: Sequence[float]) -> tuple[float, float]:
    """Mean and experimental standard deviation (n - 1) of two values or more, in two passes.

    The second pass takes the rounding of the mean off again, so that a small spread on a large offset, as
    indicator readings are, loses no more digits than the readings themselves have lost.

    Source: JCGM 100:2008, 4.2.1 and 4.2.2; the correction: T. F. Chan, G. H. Golub, R. J. LeVeque, The
    American Statistician 37 (1983) 242-247.
    """
    count = len(values)
    mean = math.fsum(values) / count
    off = [value - mean for value in values]
    squares = math.fsum(each * each for each in off) - math.fsum(off) ** 2 / count
    return mean, math.sqrt(max(0.0, squares) / (count - 1))


def repeatability(values_um: Sequence[float], of: str) -> Component | None:
    """Standard uncertainty of the mean of repeated values, n - 1 degrees of freedom; None below two.

    Args:
        values_um: one value a turn or a stroke.
        of: what was repeated, such as ``"3 strokes"``.

    Source: JCGM 100:2008, 4.2.
    """
    count = len(values_um)
    if count < 2:
        return None
    _, spread_um = mean_and_deviation(values_um)
    return Component(f"repeatability, {of}", spread_um / math.sqrt(count), "A", count - 1.0)


def drift(half_width_um: float) -> Component:
    """What may be left of a drift (holder, hub) between the two readings, as a rectangle."""
    return Component("drift between the two readings", rectangular_um(abs(half_width_um)), "B")


def plunger_angle(value_um: float, setup: Setup) -> Component:
    """The plunger's angle to the motion, in a difference of `value_um` that was already put right.

    A plunger at angle a to the motion reads d / cos a on a flat face. Put right by cos a while the angle
    really is a + e, the figure is wrong by d (tan(a) e + (1/2 + tan(a)^2) e^2). With e normal, zero mean and
    standard uncertainty u, the two terms are uncorrelated; the second one is not corrected for, so its
    whole root mean square, with E(e^4) = 3 u^4, is counted.

    Source: JCGM 100:2008, 5.1.2 note (second order) and F.2.4.4 (cosine error); the series is derived here.
    """
    tangent = math.tan(math.radians(setup.plunger_angle_deg))
    spread = math.radians(setup.plunger_angle_standard_deg)
    first = tangent * spread
    second = math.sqrt(3.0) * (0.5 + tangent * tangent) * spread * spread
    return Component(
        f"plunger angle known within {setup.plunger_angle_standard_deg:g} deg",
        abs(value_um) * math.hypot(first, second),
        "B",
    )


def true_from_plunger_um(reading_um: float, plunger_angle_deg: float) -> float:
    """Motion along the wheel's axis from what a tilted plunger shows on a flat face (times cosine)."""
    return reading_um * math.cos(math.radians(plunger_angle_deg))


def temperature(setup: Setup) -> Component | None:
    """Warming of hub, holder and indicator during the run; None when nothing was stated."""
    if setup.temperature_drift_um == 0.0:
        return None
    half_um = abs(setup.temperature_drift_um)
    return Component(f"temperature during the run, +-{half_um:g} um", rectangular_um(half_um), "B")


def instrument(value_um: float, setup: Setup) -> tuple[Component, ...]:
    """What indicator and set-up add to a difference of `value_um`, whatever the readings say."""
    parts = (permissible_error(setup), plunger_angle(value_um, setup), temperature(setup))
    return tuple(part for part in parts if part is not None)
