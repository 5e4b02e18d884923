"""Turns from an angle that was measured with the readings."""

from __future__ import annotations

import numpy as np

from analysis.turns.starts import starts_of
from analysis.values import Cleaned, Turns


def from_angle(cleaned: Cleaned) -> Turns:
    """Turns of a trace that carries the hub's angle."""
    angle = cleaned.trace.angle_deg
    assert angle is not None
    known = np.isfinite(angle)
    first, last = float(angle[known][0]), float(angle[known][-1])
    total = abs(last - first) / 360.0
    starts = starts_of(cleaned.trace.time_s[known], np.abs(angle[known] - first) / 360.0)
    return Turns(
        total=total,
        complete=max(0, starts.size - 1),
        found_by="angle",
        starts_s=starts,
        confidence=1.0,
        angle_deg=angle,
        at_least_once=total >= 1.0,
    )
