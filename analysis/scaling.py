"""What the run-out at one radius of a face means at another: only the tilt grows with the radius.

A face that is not square to the axis moves by its tilt times the radius once a turn. Its other orders
(warp, stud pull) belong to the flange itself and say nothing about a disc that is clamped to it.
"""

from __future__ import annotations

from dataclasses import dataclass

from config.errors import InputError


@dataclass(frozen=True, slots=True)
class TiltElsewhere:
    """Order 1 of a face carried over to another radius.

    Attributes:
        runout_um: full indicator movement there from the tilt alone (twice the amplitude).
        standard_um: its standard uncertainty; the radii count as known.
        tilt_um_per_mm: slope of the face, amplitude over radius.
    """

    runout_um: float
    standard_um: float
    tilt_um_per_mm: float


def tilt_at(
    amplitude_um: float, standard_um: float, *, probe_radius_mm: float, wanted_radius_mm: float
) -> TiltElsewhere:
    """What order 1 measured at one radius does at another, such as 140 mm for a disc of 280 mm.

    Args:
        amplitude_um: half the swing of order 1.
        standard_um: its standard uncertainty.
        probe_radius_mm: radius at which the plunger stood.
        wanted_radius_mm: radius asked for.

    Raises:
        InputError: a radius that is not above zero.
    """
    for name, radius in (("probe radius", probe_radius_mm), ("radius asked for", wanted_radius_mm)):
        if not radius > 0:
            raise InputError(f"{name} is {radius} mm", expected="a radius above zero")
    ratio = wanted_radius_mm / probe_radius_mm
    return TiltElsewhere(
        runout_um=2 * amplitude_um * ratio,
        standard_um=2 * standard_um * ratio,
        tilt_um_per_mm=amplitude_um / probe_radius_mm,
    )
