"""``hubproof fit``: how tight a bearing sits in its bore, and what that does."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import json_option
from config.errors import InputError
from config.sizes import SIZES, bore_limits, mm_of, ring_limits

if TYPE_CHECKING:
    from analysis.fit import Fit, FitEffect
    from analysis.press import PressFit

MATERIALS = ("bearing steel", "cast iron", "cast steel", "aluminium")


@click.command(short_help="How tight a bearing sits in its bore, and the press force.")
@click.option("--size", required=True, metavar="LENGTH", help="Nominal outside diameter of the bearing.")
@click.option("--bore", required=True, metavar="CLASS|SIZE", help=f"Hole class such as N7, or {SIZES}.")
@click.option(
    "--ring",
    default="normal",
    show_default=True,
    metavar="normal|SIZE",
    help="Outer ring: tolerance class Normal, or its size in the same forms.",
)
@click.option("--wall", metavar="LENGTH", help="Outside diameter of the knuckle around the bore.")
@click.option("--width", metavar="LENGTH", help="Length of the contact: the width of the outer ring.")
@click.option("--ring-inner", metavar="LENGTH", help="Inner diameter of the outer ring.")
@click.option("--bearing-bore", metavar="LENGTH", help="Bore of the bearing, when the former is not known.")
@click.option("--knuckle", type=click.Choice(MATERIALS), default="cast iron", show_default=True)
@click.option(
    "--friction",
    type=click.FloatRange(0.01, 1.0),
    default=0.12,
    show_default=True,
    help="Assumed while pressing; the weakest figure of all.",
)
@click.option("--contact-angle", type=float, metavar="DEG", help="For the loss of end play.")
@json_option
def command(as_json: bool, size: str, bore: str, ring: str, **given: Any) -> None:
    """Interference of an outer ring in its bore; with --wall and --width also pressure and press force.

    Interference is ring minus bore on the diameter, both at 20 degrees C; negative is a clearance. The
    vehicle maker's limits take precedence over the standard's. The press force is a guide for noticing
    what goes wrong, never a limit to press up to: press only on the outer ring into the knuckle.
    """
    from analysis.fit import make_fit

    nominal_mm = mm_of(size, "--size")
    in_bore = bore_limits(bore, nominal_mm, where="--bore")
    fit = make_fit(ring_limits(ring, nominal_mm, where="--ring"), in_bore)
    effect = _effect(fit, nominal_mm, given)
    if as_json:
        import json

        from capture.job_figures import fit_told

        click.echo(json.dumps(fit_told(fit, effect), ensure_ascii=False))
        return
    _show(fit, effect, given["knuckle"])


def _effect(fit: Fit, nominal_mm: float, given: dict[str, Any]) -> FitEffect | None:
    """Pressure and force, when the wall and the width are known; refuses half of what they need."""
    from analysis.fit import fit_effect
    from analysis.press import BEARING_STEEL, MATERIALS, Cylinder, ring_inner_mm

    named = [name for name in ("wall", "width") if given[name] is not None]
    if not named:
        return None
    inner = given["ring_inner"], given["bearing_bore"]
    if len(named) == 1 or (inner[0] is None) == (inner[1] is None):
        raise InputError(
            "the press force needs more",
            where="fit",
            expected="--wall, --width, and either --ring-inner or --bearing-bore",
        )
    if inner[0] is not None:
        inner_mm = mm_of(inner[0], "--ring-inner")
    else:
        inner_mm = ring_inner_mm(mm_of(inner[1], "--bearing-bore"), nominal_mm)
    return fit_effect(
        fit,
        Cylinder(inner_mm, nominal_mm, BEARING_STEEL),
        Cylinder(nominal_mm, mm_of(given["wall"], "--wall"), MATERIALS[given["knuckle"]]),
        length_mm=mm_of(given["width"], "--width"),
        friction=given["friction"],
        contact_angle_deg=given["contact_angle"],
    )


def _show(fit: Fit, effect: FitEffect | None, knuckle: str) -> None:
    click.echo(f"{fit.kind} fit: {fit.least_um / 1000:+.4f} to {fit.most_um / 1000:+.4f} mm (+ is tight)")
    for name, limits in (("ring", fit.ring), ("bore", fit.bore)):
        low, high = limits.lower_um / 1000.0, limits.upper_um / 1000.0
        click.echo(f"{name}: {limits.nominal_mm:g} mm {low:+.4f} to {high:+.4f} mm ({limits.source})")
    if fit.least_um <= 0.0:
        click.echo("at its least the ring is loose: it can turn in the bore")
    if effect is None:
        return
    _pair("contact pressure", effect.least, effect.most, lambda at: f"{at.pressure_mpa:.1f} MPa")
    _pair("press force", effect.least, effect.most, lambda at: f"{at.force_n / 1000:.1f} kN")
    click.echo(f"  (friction {effect.friction:g} assumed, knuckle of {knuckle} taken as a cylinder)")
    least, most = effect.radial_clearance_loss_um
    click.echo(f"radial clearance lost: {least / 1000:.4f} to {most / 1000:.4f} mm")
    if effect.axial_clearance_loss_um is not None:
        least, most = effect.axial_clearance_loss_um
        click.echo(f"end play lost: {least / 1000:.4f} to {most / 1000:.4f} mm")
    click.echo("caution: stop when the force rises suddenly; press on the outer ring, square to the bore")


def _pair(name: str, least: PressFit, most: PressFit, say: Callable[[PressFit], str]) -> None:
    click.echo(f"{name}: {say(least)} to {say(most)}")
