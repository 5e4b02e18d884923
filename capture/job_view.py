"""A job as it is told: sheet, entries, where it stands on the path, before and after, decisions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from math import hypot
from typing import Any

from analysis.decisions import Seen, decide
from analysis.record import Store
from analysis.record.job_results import changes, found_by
from analysis.record.job_values import Entry, JobRecord, WheelEnd
from analysis.record.results import judged_mm
from capture.job_models import (
    BeforeAfter,
    DecisionOut,
    EntryOut,
    JobView,
    PhotoOut,
    StepOut,
    StepState,
    StepStateWord,
    WheelOut,
)
from config.path import Step, standing_answers

COVERAGE = 2.0


def view(job: JobRecord, steps: Sequence[Step], store: Store) -> JobView:
    """Everything about a job."""
    changed = changes(store, job, steps)
    return JobView(
        id=job.id,
        state=job.state,
        opened_utc=job.opened_utc,
        closed_utc=job.closed_utc,
        **asdict(job.sheet),
        wheels=tuple(_wheel(end, steps, changed[end.sheet.wheel], store) for end in job.wheels),
    )


def _wheel(end: WheelEnd, steps: Sequence[Step], changed: Sequence[object], store: Store) -> WheelOut:
    states = step_states(end, steps)
    to_do = {step.id for step in end.to_do(steps)}
    fit = end.figures("fit")
    return WheelOut(
        **asdict(end.sheet),
        parts=end.parts,
        entries=tuple(entry_out(entry) for entry in end.entries),
        problems=end.problems,
        steps=states,
        next=tuple(state for state in states if state.step in to_do),
        before_after=tuple(BeforeAfter.model_validate(line) for line in changed),
        decisions=decisions_of(end, store),
        fit=None if fit is None else dict(fit),
        clocking=clocking(end, steps, store),
    )


def clocking(end: WheelEnd, steps: Sequence[Step], store: Store) -> dict[str, Any] | None:
    """The disc's best position as predicted, and what was measured in it: lengths in mm; None without any.

    `again_mm` is the run-out measured after the disc was turned, `as_predicted` whether both agree within
    what their uncertainties allow; None until then.
    """
    predicted = end.figures("clocking")
    if predicted is None:
        return None
    asked = {step.id for step in steps if step.records == "clocking"}
    again = next((step for step in steps if step.run == "runout" and asked & set(step.when)), None)
    result = None if again is None else found_by(store, end.latest.get(again.id), "runout")
    found_mm = None if result is None else judged_mm(result)
    if result is None or found_mm is None or result.uncertainty_mm is None:
        return {**predicted, "again_mm": None, "again_expanded_mm": None, "as_predicted": None}
    allowed_mm = hypot(result.uncertainty_mm.expanded, COVERAGE * predicted["predicted_standard_mm"])
    return {
        **predicted,
        "again_mm": found_mm,
        "again_expanded_mm": result.uncertainty_mm.expanded,
        "as_predicted": abs(found_mm - predicted["predicted_mm"]) <= allowed_mm,
    }


def entry_out(entry: Entry) -> EntryOut:
    """An entry as it is told."""
    plain = {name: getattr(entry, name) for name in Entry.__dataclass_fields__ if name != "attached"}
    photos = tuple(
        PhotoOut(id=a.id, name=a.name, media_type=a.media_type, sha256=a.sha256 or "", size=a.size or 0)
        for a in entry.attached
        if a.what == "photo"
    )
    figures = {a.what: dict(a.content) for a in entry.attached if a.what != "photo"}
    return EntryOut(**plain, photos=photos, figures=figures)


def step_out(step: Step) -> StepOut:
    """A step of the path as it is told."""
    return StepOut(
        step=step.id,
        stage=step.stage,
        do=step.do,
        caution=step.caution,
        records=step.records,
        answers=step.allowed,
        unit=step.unit,
        run=step.run,
        optional=step.optional,
        found_out=step.is_found_out,
    )


def step_states(end: WheelEnd, steps: Sequence[Step]) -> tuple[StepState, ...]:
    """Each step of the path with how it stands at this wheel end."""
    standing = standing_answers(steps, end.answers)
    wrong = {name for name, entry in end.latest.items() if entry.problem}
    told = []
    for step in steps:
        entry = end.latest.get(step.id)
        state: StepStateWord = "open"
        if not step.asked(standing):
            state = "not asked"
        elif entry is not None:
            state = "wrong" if entry.problem else "skipped" if entry.what == "skip" else "done"
        told.append(
            StepState(
                **step_out(step).model_dump(),
                state=state,
                after=step.missing(end.right_answers, end.skipped, wrong) if state != "not asked" else None,
                problem=entry.problem if entry is not None else None,
            )
        )
    return tuple(told)


def decisions_of(end: WheelEnd, store: Store) -> tuple[DecisionOut, ...]:
    """What to do with each part of a wheel end, from its runs and what was seen."""
    after = any(step in end.latest for step in ("play_after", "runout_after"))
    when = "after" if after else "found"
    fit = end.figures("fit")
    seen = Seen(
        end.answers,
        found_by(store, end.latest.get(f"play_{when}"), "endplay"),
        found_by(store, end.latest.get(f"runout_{when}"), "runout"),
        found_by(store, end.latest.get("bore"), "bore"),
        after_repair=after,
        misfit=str(fit["why"]) if fit is not None and fit["verdict"] == "over" else None,
    )
    return tuple(DecisionOut(wheel=end.sheet.wheel, **asdict(decision)) for decision in decide(seen))
