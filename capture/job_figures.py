"""What is worked out in a job: the fit of ring and bore, and the bolt position of the disc."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, radians
from pathlib import Path
from typing import Any

from analysis.clocking import Wave, at_radius, clock_disc
from analysis.fit import Fit, FitEffect, fit_effect, make_fit
from analysis.press import BEARING_STEEL, MATERIALS, Cylinder, ring_inner_mm
from analysis.record import Store
from analysis.record.job_results import found_by
from analysis.record.job_values import WheelEnd
from analysis.results import RunoutResult
from analysis.results_bore import BoreResult
from capture.folder import DATABASE
from config.errors import InputError
from config.fits import SizeLimits
from config.path import Step
from config.sizes import Sizes, read_sizes, ring_limits

COVERAGE = 2.0
CLOCKED_BY = {"marks": 5.0, "angle": 1.0}
"""Ways to the turns that know where the index mark is, with the standard uncertainty of an angle, degrees.

Between two marks a hand's speed varies from turn to turn; what comes every turn shifts flange and disc
alike, and falls out. 5 degrees is what simulated hands differ by from run to run; no published source.
"""


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """The answer of a step that is worked out, the figures behind it, and why it stops the job."""

    answer: str
    figures: Mapping[str, Any]
    problem: str | None = None


# The fit -------------------------------------------------------------------------------------------


def fit_of(end: WheelEnd, step: Step, data: Path) -> WorkedOut:
    """How tight the ring will sit in the bore that was measured, judged against what is allowed.

    The allowed interference is what the sheet's limits of ring and bore make at least and at most; a
    measured bore or ring takes the place of its limits by its figure and expanded uncertainty. It is
    ``over`` when no part of what it can be is allowed, ``within`` when all of it is.

    Raises:
        InputError: the sheet has no sizes, or the bore has no size because no setting ring was named.
    """
    sizes = read_sizes(end.sheet.sizes)
    where = f"step {step.id!r}"
    if sizes.bore is None or sizes.ring is None:
        raise InputError("the sheet names no bore", where=where, expected="sizes size and bore", do="skip it")
    allowed = make_fit(sizes.ring, sizes.bore)
    bore = _measured_bore(end, step, data, sizes.bore)
    ring = _measured_ring(end, step, sizes)
    fit = make_fit(ring or sizes.ring, bore)
    effect = effect_of(fit, sizes)
    verdict, why = judge_fit(fit, allowed)
    figures = {
        **fit_told(fit, effect),
        "allowed_least_mm": _mm(allowed.least_um),
        "allowed_most_mm": _mm(allowed.most_um),
        "verdict": verdict,
        "why": why,
        "may_go_in": verdict == "within",
    }
    return WorkedOut(verdict, figures, step.wrong.get(verdict) and f"{step.wrong[verdict]} ({why})")


def _measured_bore(end: WheelEnd, step: Step, data: Path, limits: SizeLimits) -> SizeLimits:
    with Store.open(data / DATABASE) as store:
        result = found_by(store, end.latest.get(step.uses.get("bore", "bore")), "bore")
    assert result is None or isinstance(result, BoreResult)
    if result is None or result.diameter_mm is None or result.diameter_standard_mm is None:
        raise InputError(
            "the bore has no size",
            where=f"step {step.id!r}",
            expected="a bore measured against a setting ring",
            do="record setting_ring and measure the bore, or skip this step with a reason",
        )
    half_um = COVERAGE * result.diameter_standard_mm * 1000.0
    off_um = (result.diameter_mm - limits.nominal_mm) * 1000.0
    return SizeLimits(limits.nominal_mm, off_um - half_um, off_um + half_um, "measured bore, 20 °C")


def _measured_ring(end: WheelEnd, step: Step, sizes: Sizes) -> SizeLimits | None:
    entry = end.latest.get(step.uses.get("ring", ""))
    if entry is None or entry.what != "answer":
        return None
    assert sizes.nominal_mm is not None
    return ring_limits(entry.answer, sizes.nominal_mm, where=f"step {step.id!r}")


def judge_fit(fit: Fit, allowed: Fit) -> tuple[str, str]:
    """The verdict on what a fit can be against what it may be, and why in one sentence."""
    can = f"{fit.least_um / 1000:+.4f} to {fit.most_um / 1000:+.4f} mm"
    may = f"{allowed.least_um / 1000:+.4f} to {allowed.most_um / 1000:+.4f} mm"
    if fit.most_um < allowed.least_um:
        return "over", f"interference {can}, allowed {may}: too loose, the outer race can turn in it"
    if fit.least_um > allowed.most_um:
        return "over", f"interference {can}, allowed {may}: too tight, it takes the bearing's clearance away"
    if allowed.least_um <= fit.least_um and fit.most_um <= allowed.most_um:
        return "within", f"interference {can}, allowed {may}"
    return "undecided", f"interference {can}, allowed {may}: measure the new ring, or the bore more finely"


def effect_of(fit: Fit, sizes: Sizes) -> FitEffect | None:
    """Pressure and force, when wall, width and the ring's inside are known."""
    if sizes.wall_mm is None or sizes.width_mm is None or sizes.nominal_mm is None:
        return None
    inner_mm = sizes.ring_inner_mm
    if inner_mm is None and sizes.bearing_bore_mm is not None:
        inner_mm = ring_inner_mm(sizes.bearing_bore_mm, sizes.nominal_mm)
    if inner_mm is None:
        return None
    return fit_effect(
        fit,
        Cylinder(inner_mm, sizes.nominal_mm, BEARING_STEEL),
        Cylinder(sizes.nominal_mm, sizes.wall_mm, MATERIALS[sizes.knuckle]),
        length_mm=sizes.width_mm,
        friction=sizes.friction,
        contact_angle_deg=sizes.contact_angle_deg,
    )


def fit_told(fit: Fit, effect: FitEffect | None) -> dict[str, Any]:
    """A fit as JSON; lengths in mm."""
    told: dict[str, Any] = {
        "kind": fit.kind,
        "interference_least_mm": _mm(fit.least_um),
        "interference_most_mm": _mm(fit.most_um),
    }
    for name, limits in (("ring", fit.ring), ("bore", fit.bore)):
        told[name] = {
            "nominal_mm": limits.nominal_mm,
            "lower_deviation_mm": _mm(limits.lower_um),
            "upper_deviation_mm": _mm(limits.upper_um),
            "source": limits.source,
        }
    if effect is not None:
        axial = effect.axial_clearance_loss_um
        told["friction_assumed"] = effect.friction
        for name, at, which in (("least", effect.least, 0), ("most", effect.most, 1)):
            told[name] = {
                "pressure_mpa": at.pressure_mpa,
                "press_force_n": at.force_n,
                "hoop_stress_mpa": at.hoop_stress_mpa,
                "radial_clearance_loss_mm": _mm(effect.radial_clearance_loss_um[which]),
                "end_play_loss_mm": None if axial is None else _mm(axial[which]),
            }
    return told


def _mm(value_um: float) -> float:
    return round(value_um / 1000.0, 9)


# The disc ------------------------------------------------------------------------------------------


def clocking_of(end: WheelEnd, step: Step, data: Path) -> WorkedOut:
    """The bolt position of the disc with the least run-out, from the runs of flange and mounted disc.

    Raises:
        InputError: a run is missing or does not know where the index mark is, or the studs are not known.
    """
    sizes = read_sizes(end.sheet.sizes)
    where = f"step {step.id!r}"
    if sizes.studs is None:
        raise InputError("the sheet names no stud count", where=where, expected="sizes studs", do="skip it")
    with Store.open(data / DATABASE) as store:
        flange = _waves(store, end, step, ("flange", "flange_as_found"))
        disc = _waves(store, end, step, ("disc",))
    if sizes.flange_radius_mm is not None and sizes.disc_radius_mm is not None:
        flange = at_radius(flange, from_mm=sizes.flange_radius_mm, to_mm=sizes.disc_radius_mm)
    clocking = clock_disc(flange, disc, bolts=sizes.studs)
    turn = clocking.sure and clocking.best.bolts != 0
    figures = {
        "studs": sizes.studs,
        "measured_mm": _mm(clocking.positions[0].runout_um),
        "turn_by_studs": clocking.best.bolts if turn else 0,
        "predicted_mm": _mm((clocking.best if turn else clocking.positions[0]).runout_um),
        "predicted_standard_mm": _mm((clocking.best if turn else clocking.positions[0]).standard_um),
        "gain_is_sure": clocking.sure,
        "positions": [
            {"studs": p.bolts, "runout_mm": _mm(p.runout_um), "standard_mm": _mm(p.standard_um)}
            for p in clocking.positions
        ],
    }
    return WorkedOut("turn the disc" if turn else "leave it", figures)


def _waves(store: Store, end: WheelEnd, step: Step, names: tuple[str, ...]) -> tuple[Wave, ...]:
    entry = next((end.latest[step.uses[name]] for name in names if step.uses.get(name) in end.latest), None)
    result = found_by(store, entry, "runout")
    where = f"step {step.id!r}"
    if entry is None or not isinstance(result, RunoutResult):
        raise InputError(f"the run-out of the {names[0]} was not measured", where=where)
    if result.turns.found_by not in CLOCKED_BY or not result.per_turn_orders:
        raise InputError(
            f"step {entry.step!r} does not know where stud 1 was",
            where=where,
            do="measure it again and mark each passing of stud 1",
        )
    angle_rad = radians(CLOCKED_BY[result.turns.found_by])
    return tuple(
        Wave(
            o.order,
            o.amplitude_mm * 1000.0,
            o.peak_deg,
            1000.0 * hypot(o.standard_mm or 0.0, o.amplitude_mm * o.order * angle_rad),
        )
        for o in result.per_turn_orders
    )
