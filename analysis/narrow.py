"""A narrow place on the flange: dirt, rust or a burr that comes back every turn and would be judged."""

from __future__ import annotations

import numpy as np

from analysis.trace import FloatArray

SMOOTH_ORDERS = 8  # tilt, warp, studs, and what an uneven hand mixes out of them
ASIDE_DEG = 25.0
STANDS_OUT = (
    3.6  # of what is left elsewhere, root mean square (3 in 100 simulated flanges without one have as much)
)
LEAST_UM = 1.2
SURE = 4.0


def narrow_place(
    profile_um: FloatArray, standard_um: FloatArray, step_um: float
) -> tuple[float, float] | None:
    """Angle, degrees, and height above its surroundings, um, of the one narrow place; None without one.

    Args:
        profile_um: (m,) the part that comes back every turn, at even angles from zero.
        standard_um: (m,) its standard uncertainty.
        step_um: step of the indicator.
    """
    spectrum = np.fft.rfft(profile_um)
    spectrum[: SMOOTH_ORDERS + 1] = 0.0
    left = np.fft.irfft(spectrum, n=profile_um.size)
    at = int(np.argmax(np.abs(left)))
    degrees = 360.0 * np.arange(profile_um.size) / profile_um.size
    away = np.abs((degrees - degrees[at] + 180.0) % 360.0 - 180.0)
    usual = float(np.sqrt(np.mean(left[away > ASIDE_DEG] ** 2)))
    height = float(left[at])
    if abs(height) < max(STANDS_OUT * usual, LEAST_UM, SURE * float(standard_um[at]), 0.5 * step_um):
        return None
    return float(degrees[at]), height
