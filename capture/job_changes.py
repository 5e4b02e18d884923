"""Before and after: what a repair changed at each wheel end, with the change's own uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from analysis.comparison import compare
from analysis.record import Store
from analysis.record.jobs import Entry, JobRecord, WheelEnd
from analysis.record.results import judged_mm
from analysis.results import Judged, UncertaintyOut
from analysis.uncertainty import combine
from analysis.values import Component, Uncertainty
from capture.folder import DATABASE
from capture.job_runs import AFTER, found_by
from config.lengths import UM_PER_MM
from config.path import Step

QUANTITIES = ("endplay", "runout")


def changes(job: JobRecord, steps: Sequence[Step], data: Path) -> dict[str, list[dict[str, Any]]]:
    """By wheel position, a line for each quantity that was measured; lengths in mm.

    The change is None until both figures are there. All sources are taken as independent, which is on the
    safe side when the same indicator was used.
    """
    with Store.open(data / DATABASE) as store:
        return {end.sheet.wheel: _of_wheel(store, end, steps) for end in job.wheels}


def _of_wheel(store: Store, end: WheelEnd, steps: Sequence[Step]) -> list[dict[str, Any]]:
    lines = []
    for kind in QUANTITIES:
        before = found_by(store, _entry(end, steps, kind, "as found"), kind)
        after = found_by(store, _entry(end, steps, kind, AFTER), kind)
        if before is not None or after is not None:
            told = {"quantity": kind, "before": _figure(before), "after": _figure(after)}
            lines.append({**told, "change": _change(before, after)})
    return lines


def _entry(end: WheelEnd, steps: Sequence[Step], kind: str, stage: str) -> Entry | None:
    named = [step.id for step in steps if step.run == kind and step.stage == stage]
    return next((end.latest[name] for name in reversed(named) if name in end.latest), None)


def _figure(result: Judged | None) -> dict[str, Any] | None:
    if result is None:
        return None
    spread, limit = result.uncertainty_mm, result.limit_mm
    return {
        "value_mm": judged_mm(result),
        "expanded_mm": None if spread is None else spread.expanded,
        "limit_mm": None if limit is None else limit.max or limit.good_up_to,
        "limit_source": None if limit is None else limit.source,
        "verdict": result.verdict,
    }


def _change(before: Judged | None, after: Judged | None) -> dict[str, Any] | None:
    if before is None or after is None or before.uncertainty_mm is None or after.uncertainty_mm is None:
        return None
    was_mm, is_mm = judged_mm(before), judged_mm(after)
    if was_mm is None or is_mm is None:
        return None
    change = compare(
        was_mm * UM_PER_MM, _spread(before.uncertainty_mm), is_mm * UM_PER_MM, _spread(after.uncertainty_mm)
    )
    return {
        "better_by_mm": round(change.change_um / UM_PER_MM, 9),
        "expanded_mm": round(change.uncertainty.expanded_um / UM_PER_MM, 9),
        "direction": change.direction,
        "text": change.text,
    }


def _spread(told: UncertaintyOut) -> Uncertainty:
    """The uncertainty with its budget in um, as it was before it was told."""
    return combine(
        Component(
            line.source,
            line.standard * UM_PER_MM,
            line.evaluation,
            float("inf") if line.degrees_of_freedom is None else line.degrees_of_freedom,
        )
        for line in told.budget
    )
