"""Readings that only ever rise, or only ever fall: an indicator in its maximum or minimum mode.

Such an indicator shows the largest (smallest) value so far. It would read half a worn bearing's play, or
the half of a turn's run-out that lies on one side of the start. A hub that is turned a whole turn, or
pushed and pulled and let go, always moves both ways.
"""

from __future__ import annotations

import numpy as np

from analysis.trace import FloatArray
from analysis.values import Note

FEWEST = 30
LEAST_STEPS = 5.0
"""Less travel than this is the flicker of a few readings, or a slow creep."""


def one_way(reading_um: FloatArray, step_um: float) -> Note | None:
    """The note when readings moved one way only, by several steps and never a step back; else None.

    Args:
        reading_um: (n,) in order, those rejected at capture left out.
        step_um: the indicator's step.
    """
    if reading_um.size < FEWEST or float(np.ptp(reading_um)) < LEAST_STEPS * step_um:
        return None
    difference = np.diff(reading_um)
    rises, falls = bool(np.any(difference > 0.0)), bool(np.any(difference < 0.0))
    if rises == falls:
        return None
    went, mode = ("rose", "maximum") if rises else ("fell", "minimum")
    return Note(
        "one_way",
        f"The reading only ever {went} and never went back by a step: if the indicator is in its {mode} "
        "mode, switch that off; measure again, and let the hub move both ways.",
    )
