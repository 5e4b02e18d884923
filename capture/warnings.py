"""What speaks against a set-up before anything is measured."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from config.errors import InputError
from config.indicators import GattFormat, Indicator, LinesFormat, Unit
from config.lengths import NM_PER_UNIT, show_length
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


END_SHARE = 0.05
"""Nearer to an end than this part of the range (as in the rest check) the plunger may run into its stop."""


def end_warning(indicator: Indicator, lengths_nm: Sequence[int]) -> str | None:
    """What shows that the plunger stands near an end of its travel, or None; needs `plunger_out`."""
    if indicator.plunger_out_nm is None or not lengths_nm:
        return None
    low_nm = min(lengths_nm) - indicator.plunger_out_nm
    room_nm = min(low_nm, indicator.plunger_out_nm + indicator.range_nm - max(lengths_nm))
    if room_nm >= END_SHARE * indicator.range_nm:
        return None
    room = show_length(max(0, room_nm), "mm")
    return f"The plunger came within {room} of an end of its travel: move the holder so that it has room."


def nut_warning(kind: str, nut_torqued: bool | None) -> tuple[str, ...]:
    """What to know of end play when nobody said that the hub nut is at its torque.

    Raises:
        InputError: it is said not to be: the end play would mean nothing.
    """
    if kind != "endplay" or nut_torqued:
        return ()
    if nut_torqued is False:
        raise InputError(
            "the hub nut is not at its torque: the end play would mean nothing",
            where="end play",
            do="bring the nut to the vehicle maker's torque first",
        )
    return ("Is the hub nut at its torque? With a split inner ring the end play means nothing otherwise.",)


FEWEST_READINGS = 20
INCH_STEP_NM = NM_PER_UNIT["in"] // 100_000
"""The finest step that an inch display has: 0.00001 in."""


OFF_STEP = "finer than the described step: it is set to another unit"


def says_unit(indicator: Indicator) -> bool:
    """Whether each message of the indicator says in which unit it is, so that a switched one is known."""
    form = indicator.format
    if isinstance(form, LinesFormat):
        return "(?P<unit>" in form.pattern
    return isinstance(form, GattFormat) or form.inch_bit is not None


def unit_warning(indicator: Indicator, unit: Unit | None, lengths_nm: Sequence[int]) -> str | None:
    """What shows that the indicator is set to another unit than its description says, or None.

    Args:
        indicator: the description.
        unit: in which the readings are written.
        lengths_nm: some of the last readings.
    """
    if unit is None or len(lengths_nm) < FEWEST_READINGS:
        return None
    step = show_length(indicator.resolution_nm, "mm", step_nm=min(indicator.resolution_nm, 100))
    if unit == "in" and indicator.resolution_nm % INCH_STEP_NM:
        return (
            f"The indicator writes inches but is described with a step of {step}: switch it to millimetres."
        )
    if unit != "in" and indicator.resolution_nm % INCH_STEP_NM == 0:
        return f"The indicator writes {unit} but is described with a step of {step}: switch it to inches."
    if any(length_nm % indicator.resolution_nm for length_nm in lengths_nm):
        return f"Readings are finer than the described step of {step}: is the indicator set to another unit?"
    if any(abs(length_nm) > indicator.range_nm for length_nm in lengths_nm):
        span = show_length(indicator.range_nm, "mm", step_nm=100_000)
        return f"Readings lie beyond the indicator's range of {span}: is it set to another unit, or preset?"
    return None
