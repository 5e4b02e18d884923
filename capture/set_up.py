"""Whether a set-up can be trusted, point by point, before anything is measured. Pure."""

from __future__ import annotations

from datetime import date
from typing import Literal

from capture.messages import IndicatorState, Message
from capture.warnings import STEPS_IN_LIMIT, end_warning, set_up_warnings
from config.indicators import Indicator
from config.lengths import show_length
from config.limits import Limit

Point = Literal["link", "calibration", "step", "plunger", "holder"]


class Check(Message):
    """One point of a set-up: good, not good, or not known (None), and one sentence."""

    point: Point
    good: bool | None
    text: str


class SetUp(Message):
    """The points to look at before a run, and the limit that it would be judged against; lengths in mm."""

    indicator: str
    limit_mm: float | None
    bad_above_mm: float | None
    limit_source: str | None
    checks: tuple[Check, ...]


def set_up(
    indicator: Indicator,
    state: IndicatorState,
    limit: Limit | None,
    today: date,
    *,
    lengths_nm: tuple[int, ...] = (),
    holder_moved: bool | None = None,
) -> SetUp:
    """The set-up as it stands.

    Args:
        indicator: its description.
        state: how it stands now.
        limit: of the run to come.
        today: for the calibration.
        lengths_nm: some of the last readings.
        holder_moved: what the last rest check said; None when there was none or it could not tell.
    """
    checks = (
        _link(state),
        _calibration(indicator, today),
        _step(indicator, limit),
        _plunger(indicator, lengths_nm),
        _holder(holder_moved),
    )
    return SetUp(
        indicator=indicator.name,
        limit_mm=None if limit is None else limit.accept_nm / 1e6,
        bad_above_mm=None if limit is None else limit.reject_nm / 1e6,
        limit_source=None if limit is None else limit.source,
        checks=checks,
    )


def _link(state: IndicatorState) -> Check:
    text = "Readings arrive." if state.state == "live" else state.why or f"The indicator is {state.state}."
    return Check(point="link", good=state.state == "live", text=text)


def _calibration(indicator: Indicator, today: date) -> Check:
    if indicator.calibration_due is None:
        return Check(point="calibration", good=None, text="No date of calibration is described.")
    warnings = set_up_warnings(indicator, None, today)
    if warnings:
        return Check(point="calibration", good=False, text=warnings[0])
    return Check(point="calibration", good=True, text=f"Calibrated; due on {indicator.calibration_due}.")


def _step(indicator: Indicator, limit: Limit | None) -> Check:
    if limit is None:
        return Check(point="step", good=None, text="Without a limit the step cannot be compared.")
    if indicator.resolution_nm * STEPS_IN_LIMIT > limit.accept_nm:
        (text,) = set_up_warnings(indicator.model_copy(update={"calibration_due": None}), limit, date.min)
        return Check(point="step", good=False, text=text)
    step = show_length(indicator.resolution_nm, step_nm=indicator.resolution_nm)
    return Check(point="step", good=True, text=f"The step of {step} is fine for the limit.")


def _plunger(indicator: Indicator, lengths_nm: tuple[int, ...]) -> Check:
    if indicator.plunger_out_nm is None or not lengths_nm:
        return Check(point="plunger", good=None, text="Where the plunger stands in its travel is not known.")
    text = end_warning(indicator, lengths_nm)
    if text is not None:
        return Check(point="plunger", good=False, text=text)
    return Check(point="plunger", good=True, text="The plunger has room to both ends of its travel.")


def _holder(holder_moved: bool | None) -> Check:
    if holder_moved is None:
        return Check(point="holder", good=None, text="No rest check yet: the holder may move.")
    if holder_moved:
        return Check(
            point="holder", good=False, text="The holder moved in the last rest check: make it firm."
        )
    return Check(point="holder", good=True, text="The holder stood still in the last rest check.")
