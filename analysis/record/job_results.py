"""What the runs of a job found: each step's result, before and after with the change's own uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.record.job_values import Entry, JobRecord, WheelEnd
from analysis.record.results import judged_mm
from analysis.record.store import Store
from analysis.record.words import Stage
from analysis.results import EndplayResult, Judged, RunoutResult, UncertaintyOut
from analysis.results_bore import BoreResult
from analysis.values import Component, Uncertainty
from config.lengths import UM_PER_MM
from config.path import Step

AFTER: Stage = "after repair"
RESULTS: Mapping[str, type[Judged]] = {"runout": RunoutResult, "endplay": EndplayResult, "bore": BoreResult}
QUANTITIES = ("endplay", "runout")


def found_by(store: Store, entry: Entry | None, kind: str) -> Judged | None:
    """The latest result of the run behind an entry; None without one."""
    if entry is None or entry.run is None:
        return None
    results = store.run(entry.run).results
    return RESULTS[kind].model_validate(results[-1]) if results else None


def changes(store: Store, job: JobRecord, steps: Sequence[Step]) -> dict[str, list[dict[str, Any]]]:
    """By wheel position, a line for each quantity that was measured; lengths in mm.

    The change is None until both figures are there. All sources are taken as independent, which is on the
    safe side when the same indicator was used.
    """
    return {end.sheet.wheel: _of_wheel(store, end, steps) for end in job.wheels}


def _of_wheel(store: Store, end: WheelEnd, steps: Sequence[Step]) -> list[dict[str, Any]]:
    lines = []
    for kind in QUANTITIES:
        before = found_by(store, entry_of(end, steps, kind, "as found"), kind)
        after = found_by(store, entry_of(end, steps, kind, AFTER), kind)
        if before is not None or after is not None:
            told = {"quantity": kind, "before": _figure(before), "after": _figure(after)}
            lines.append({**told, "change": _change(before, after)})
    return lines


def entry_of(end: WheelEnd, steps: Sequence[Step], kind: str, stage: str) -> Entry | None:
    """The entry that measured the wheel end's own `kind` in a stage, not that of a disc put on it."""
    named = [step.id for step in steps if step.run == kind and step.stage == stage and step.limit is None]
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
    from analysis.comparison import compare  # heavy: loaded when there is something to compare

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
    from analysis.uncertainty import combine

    return combine(
        Component(
            line.source,
            line.standard * UM_PER_MM,
            line.evaluation,
            float("inf") if line.degrees_of_freedom is None else line.degrees_of_freedom,
        )
        for line in told.budget
    )
