"""The fit of a bearing's outer ring in its bore: how tight it is at least and at most, and what that does.

Interference is ring minus bore, on the diameter, at 20 degrees C: positive is tight. Limits come from the
vehicle maker or from standard tables (config.fits); a measured bore or ring replaces its limits by the
figure and its expanded uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, radians, sin

from analysis.judge import conformity_probability
from analysis.press import Cylinder, PressFit, press_fit
from analysis.results import Verdict
from analysis.values import Note, Uncertainty
from config.errors import InputError
from config.fits import SizeLimits

REFERENCE_C = 20.0
"""Standard reference temperature for lengths (ISO 1)."""


@dataclass(frozen=True, slots=True)
class Fit:
    """How tight the ring sits in the bore.

    Attributes:
        least_um, most_um: least and most interference; negative is a clearance.
        ring, bore: the limits they come from.
    """

    least_um: float
    most_um: float
    ring: SizeLimits
    bore: SizeLimits

    @property
    def kind(self) -> str:
        """``interference``, ``transition`` or ``clearance`` (ISO 286-1)."""
        if self.least_um > 0.0:
            return "interference"
        return "transition" if self.most_um > 0.0 else "clearance"


@dataclass(frozen=True, slots=True)
class FitEffect:
    """What the fit does at its least and at its most.

    Attributes:
        fit: how tight.
        least, most: pressure, force, stress and ring contraction at either end.
        radial_clearance_loss_um: (least, most) loss of radial internal clearance (on the diameter).
        axial_clearance_loss_um: the same for the end play of the double row, when the contact angle is
            known.
        friction: what the press force assumes.
    """

    fit: Fit
    least: PressFit
    most: PressFit
    radial_clearance_loss_um: tuple[float, float]
    axial_clearance_loss_um: tuple[float, float] | None
    friction: float


@dataclass(frozen=True, slots=True)
class SizeJudgement:
    """Verdict on a size against its two limits, the chance that it lies between, and why."""

    verdict: Verdict
    conformity_probability: float
    notes: tuple[Note, ...]


def make_fit(ring: SizeLimits, bore: SizeLimits) -> Fit:
    """Least and most interference of a ring and a bore.

    Raises:
        InputError: they have different nominal sizes.
    """
    if abs(ring.nominal_mm - bore.nominal_mm) > 0.5:
        raise InputError(
            f"ring of {ring.nominal_mm:g} mm, bore of {bore.nominal_mm:g} mm",
            where="fit",
            expected="the same nominal size",
        )
    between = (ring.nominal_mm - bore.nominal_mm) * 1000.0
    return Fit(between + ring.lower_um - bore.upper_um, between + ring.upper_um - bore.lower_um, ring, bore)


def measured(limits: SizeLimits, deviation_um: float, uncertainty: Uncertainty, what: str) -> SizeLimits:
    """A measured size as the limits between which it lies with about 95 % confidence.

    Args:
        limits: gives the nominal size.
        deviation_um: measured size minus nominal size, at 20 degrees C.
        uncertainty: of the measured size.
        what: names it, for the source.
    """
    spread = uncertainty.expanded_um
    return replace(
        limits, lower_um=deviation_um - spread, upper_um=deviation_um + spread, source=f"measured {what}"
    )


def fit_effect(
    fit: Fit,
    ring: Cylinder,
    housing: Cylinder,
    *,
    length_mm: float,
    friction: float,
    contact_angle_deg: float | None = None,
) -> FitEffect:
    """Pressure, press force and loss of clearance at the least and the most interference.

    Args:
        fit: how tight.
        ring: the bearing's outer ring.
        housing: the knuckle's wall around the bore.
        length_mm: length of the contact.
        friction: assumed while pressing.
        contact_angle_deg: of the double-row bearing; its outer raceway shrinking by s on the diameter
            takes ``s / tan(angle)`` of the end play (both rows, each s/2 in radius).
    """
    least, most = (
        press_fit(value, ring, housing, length_mm=length_mm, friction=friction)
        for value in (fit.least_um, fit.most_um)
    )
    radial = (least.raceway_um, most.raceway_um)
    axial = None
    if contact_angle_deg is not None:
        if not 5.0 <= contact_angle_deg <= 60.0:
            raise InputError(
                f"contact angle {contact_angle_deg:g} degrees", where="fit", expected="5 to 60 degrees"
            )
        angle = radians(contact_angle_deg)
        axial = (radial[0] * cos(angle) / sin(angle), radial[1] * cos(angle) / sin(angle))
    return FitEffect(fit, least, most, radial, axial, friction)


def size_at_20_mm(
    ring_20_mm: float,
    reading_um: float,
    *,
    ring_c: float = REFERENCE_C,
    part_c: float = REFERENCE_C,
    ring_expansion_per_k: float,
    part_expansion_per_k: float,
) -> float:
    """Size at 20 degrees C of a part that was compared with a setting ring.

    Args:
        ring_20_mm: the ring's size at 20 degrees C, from its certificate.
        reading_um: part minus ring as read, um, each at its own temperature.
        ring_c: the ring's temperature, degrees C.
        part_c: the part's temperature, degrees C.
        ring_expansion_per_k: linear expansion of the ring, 1/K.
        part_expansion_per_k: linear expansion of the part, 1/K.

    Source: ISO 1 (reference temperature); linear expansion.
    """
    ring_mm = ring_20_mm * (1.0 + ring_expansion_per_k * (ring_c - REFERENCE_C))
    warm_mm = ring_mm + reading_um / 1000.0
    return warm_mm / (1.0 + part_expansion_per_k * (part_c - REFERENCE_C))


def judge_size(deviation_um: float, uncertainty: Uncertainty, limits: SizeLimits) -> SizeJudgement:
    """Judge a size against its two limits by the decision rule of ISO 14253-1.

    Args:
        deviation_um: measured size minus the nominal size, um.
        uncertainty: of the size.
        limits: smallest and largest size allowed.

    The chance of conformity is that of lying between both limits (JCGM 106:2012, 7.4).
    """
    spread = uncertainty.expanded_um
    below_upper = conformity_probability(deviation_um, uncertainty, limits.upper_um)
    below_lower = conformity_probability(deviation_um, uncertainty, limits.lower_um)
    chance = min(1.0, max(0.0, below_upper - below_lower))
    found = f"size {_signed(deviation_um)} from {limits.nominal_mm:g} mm"
    allowed = f"{_signed(limits.lower_um)} to {_signed(limits.upper_um)} ({limits.source})"
    if deviation_um - spread > limits.upper_um:
        text = f"{found}, allowed {allowed}: too large, the outer race can turn in it."
        return SizeJudgement("over", chance, (Note("bore_too_large", text),))
    if deviation_um + spread < limits.lower_um:
        text = f"{found}, allowed {allowed}: too small, it takes the bearing's clearance away."
        return SizeJudgement("over", chance, (Note("bore_too_small", text),))
    if limits.lower_um <= deviation_um - spread and deviation_um + spread <= limits.upper_um:
        return SizeJudgement("within", chance, ())
    text = f"{found} +- {spread / 1000.0:.4f} mm, allowed {allowed}: neither within nor outside is proved."
    return SizeJudgement("undecided", chance, (Note("size_uncertain", text),))


def _signed(value_um: float) -> str:
    return f"{value_um / 1000.0:+.4f} mm"
