"""What speaks against a set-up before anything is measured."""

from __future__ import annotations

from datetime import date

from config.indicators import Indicator
from config.lengths import show_length
from config.limits import Limit

STEPS_IN_LIMIT = 10
"""An indicator's step of a tenth of the limit or less is common practice, no published source."""


def set_up_warnings(indicator: Indicator, limit: Limit | None, today: date) -> tuple[str, ...]:
    """One sentence for each thing that a technician should mend, or know, before the run."""
    found: list[str] = []
    if indicator.calibration_due is not None and indicator.calibration_due < today:
        found.append(f"Calibration was due on {indicator.calibration_due}: the result cannot prove much.")
    if limit is not None and indicator.resolution_nm * STEPS_IN_LIMIT > limit.accept_nm:
        step = show_length(indicator.resolution_nm, step_nm=indicator.resolution_nm)
        bound = show_length(limit.accept_nm, step_nm=100)
        found.append(f"The step of {step} is coarse for a limit of {bound}: use a finer indicator.")
    return tuple(found)
