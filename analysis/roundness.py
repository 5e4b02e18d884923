"""The Gaussian roundness filter for a closed profile.

Source: ISO 16610-21 (weighting function with alpha = sqrt(ln 2/pi), 50 % transmission at the cut-off), used
for closed profiles as ISO 12181-2 does; the list of cut-offs (15, 50, 150, 500 UPR) and the rule of at
least 7 points an undulation are from memory. A closed profile has no ends, so the filter is exact as a
product in the frequency domain: transmission 2^-((f/fc)^2) at f undulations per revolution.
"""

from __future__ import annotations

import numpy as np

from analysis.trace import FloatArray

CUTOFFS_UPR = (15, 50, 150, 500)
POINTS_PER_UNDULATION = 7


def gaussian_transmission(order: FloatArray, cutoff_upr: float) -> FloatArray:
    """Share of the amplitude that the low-pass filter lets through at `order` undulations per revolution."""
    return np.exp2(-((order / cutoff_upr) ** 2))


def gaussian_filter(profile: FloatArray, cutoff_upr: float) -> FloatArray:
    """The low-pass (roundness) profile of one closed turn.

    Args:
        profile: (m,) values at even angles over exactly one turn, the first not repeated at the end.
        cutoff_upr: cut-off in undulations per revolution.

    Raises:
        ValueError: fewer than 7 points per undulation at the cut-off, or a cut-off not above zero.
    """
    if cutoff_upr <= 0:
        raise ValueError(f"the cut-off {cutoff_upr} is not above zero")
    if profile.size < POINTS_PER_UNDULATION * cutoff_upr:
        raise ValueError(f"{profile.size} points a turn are too few for a cut-off of {cutoff_upr} UPR")
    spectrum = np.fft.rfft(profile)
    spectrum *= gaussian_transmission(np.arange(spectrum.size, dtype=np.float64), cutoff_upr)
    return np.fft.irfft(spectrum, n=profile.size)


def allowed_cutoffs(readings_per_turn: float) -> tuple[int, ...]:
    """The cut-offs for which this many readings a turn are enough."""
    return tuple(cutoff for cutoff in CUTOFFS_UPR if readings_per_turn >= POINTS_PER_UNDULATION * cutoff)
