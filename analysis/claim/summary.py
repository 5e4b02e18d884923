"""What the first page decides: the verdicts as found and after repair, and the part at fault.

Of the runs of a stage the last one that could be measured counts, because a run is repeated when something
was wrong with it; every run is shown further on, and a count says that there were others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.claim.values import ClaimRun, Step
from analysis.claim.wording import Wording
from analysis.record.words import Stage
from analysis.results import EndplayResult, Judged, RestResult, RunoutResult
from analysis.results_bore import BoreResult

STAGES: tuple[Stage | None, ...] = ("as found", "after repair", None)
UM_PER_MM = 1000.0
# German keeps the capital of a noun inside a sentence, and of nothing else.
GERMAN_SMALL = ("Das", "Die", "Der", "Von", "Seine", "Siehe", "Wo")
_PART_WORDS = {"hub nut": "hub_nut", "holder": "part_holder", "none": "part_none"}


@dataclass(frozen=True, slots=True)
class StageFigure:
    """The run that counts for a stage, and how many there were."""

    run: ClaimRun
    result: RunoutResult | EndplayResult | BoreResult
    count: int


@dataclass(frozen=True, slots=True)
class Quantity:
    """One line of the first page: a quantity at a wheel end, by stage."""

    kind: str
    surface: str
    stages: dict[Stage | None, StageFigure]


def judged_um(result: object) -> float | None:
    """The figure that was judged; None when it could not be had."""
    if isinstance(result, RunoutResult):
        return UM_PER_MM * max(result.fim_mm.per_turn) if result.fim_mm.per_turn else None
    if isinstance(result, EndplayResult):
        return UM_PER_MM * result.play_mm if result.play_mm is not None else None
    if isinstance(result, BoreResult):
        return UM_PER_MM * result.value_mm if result.value_mm is not None else None
    return None


def expanded_um(result: object) -> float | None:
    """Its expanded uncertainty."""
    if isinstance(result, Judged) and result.uncertainty_mm is not None:
        return UM_PER_MM * result.uncertainty_mm.expanded
    return None


def limit_edges_um(run: ClaimRun) -> list[float]:
    """The limit as one edge, or as the pair good up to and bad above; empty without a limit."""
    if run.limit is None:
        return []
    return sorted({run.limit.accept_nm / 1000, run.limit.reject_nm / 1000})


def by_wheel(runs: Sequence[ClaimRun]) -> dict[str | None, list[Quantity]]:
    """The judged quantities of every wheel end, in the order in which they were first measured."""
    groups: dict[str | None, dict[tuple[str, str], list[ClaimRun]]] = {}
    for run in runs:
        if not isinstance(run.result, RestResult) and not run.header.thrown_away:
            surface = run.header.setup.surface if run.header.kind == "runout" else ""
            groups.setdefault(run.header.wheel, {}).setdefault((run.header.kind, surface), []).append(run)
    return {
        wheel: [Quantity(kind, surface, _stages(found)) for (kind, surface), found in quantities.items()]
        for wheel, quantities in groups.items()
    }


def _stages(runs: Sequence[ClaimRun]) -> dict[Stage | None, StageFigure]:
    stages: dict[Stage | None, StageFigure] = {}
    for stage in STAGES:
        of_stage = sorted(
            (run for run in runs if run.header.stage == stage), key=lambda run: run.header.started_utc
        )
        if of_stage:
            measured = [run for run in of_stage if judged_um(run.result) is not None]
            run = (measured or of_stage)[-1]
            assert not isinstance(run.result, RestResult)  # by_wheel left them out
            stages[stage] = StageFigure(run, run.result, len(of_stage))
    return stages


OBSERVED = {
    ("turning", "rough"): ("bearing", "why_bearing_turning"),
    ("turning", "stiff"): ("bearing", "why_bearing_turning"),
    ("seal", "damaged"): ("bearing", "why_bearing_seal"),
    ("seal", "grease lost"): ("bearing", "why_bearing_seal"),
    ("groove", "yes"): ("flange", "why_flange_groove"),
}
"""What a look or a feel says of a part, by step and answer of the shipped path. Common practice, no published
source."""


def observed(steps: Sequence[Step], say: Wording) -> dict[str, str]:
    """Parts that the inspection speaks against, each with a sentence; the latest answer of a step counts."""
    latest = {step.step: step.value for step in steps if not step.skipped}
    found: dict[str, str] = {}
    for answer in latest.items():
        if answer in OBSERVED:
            part, key = OBSERVED[answer]
            found.setdefault(part, say(key, answer=say.sentence(answer[1])))
    return found


def blame(quantities: Sequence[Quantity], steps: Sequence[Step], say: Wording) -> tuple[str, str]:
    """Two sentences: which part figures and inspection as found point to, and why."""
    first = [next(iter(quantity.stages.values())) for quantity in quantities if quantity.stages]
    # What is over speaks first, then what else points somewhere.
    first.sort(key=lambda figure: (figure.result.verdict != "over", figure.run.header.kind != "endplay"))
    reasons: dict[str, str] = {}
    for figure in first:
        for pointed in figure.result.points_to:
            reasons.setdefault(pointed.part, _why(pointed.part, figure.run, say))
    for part, why in observed(steps, say).items():
        reasons.setdefault(part, why)
    if not reasons:
        sure = all(figure.result.verdict in ("within", None) for figure in first)
        key = "parts_none" if sure else "parts_open"
        return say(key), say(f"{key}_why")
    parts = [part_word(part, say) for part in reasons]
    whys = list(reasons.values())
    if len(parts) == 1:
        return say("parts_one", part=parts[0]), whys[0]
    second = whys[1]
    if say.language == "en" or second.partition(" ")[0] in GERMAN_SMALL:
        second = second[:1].lower() + second[1:]
    return (
        say("parts_two", part=parts[0], other=parts[1]),
        say("and", one=whys[0].rstrip("."), two=second),
    )


def outcome(quantities: Sequence[Quantity], say: Wording) -> str:
    """Whether the repair brought everything within its limits; empty when nothing was measured after it."""
    after = [figure.result.verdict for line in quantities if (figure := line.stages.get("after repair"))]
    if not after:
        return ""
    missing = [line for line in quantities if "as found" in line.stages and "after repair" not in line.stages]
    if any(verdict == "over" for verdict in after):
        return say("outcome_over")
    whole = all(verdict == "within" for verdict in after) and all(line.kind == "bore" for line in missing)
    return say("outcome_within" if whole else "outcome_open")


def part_word(part: str, say: Wording) -> str:
    """The name of a part."""
    return say(_PART_WORDS.get(part, part))


def _why(part: str, run: ClaimRun, say: Wording) -> str:
    result = run.result
    limit = say.limit(limit_edges_um(run))
    if part == "holder":
        return say("why_holder")
    if isinstance(result, BoreResult):
        value = say.length(judged_um(result), expanded_um=expanded_um(result))
        return say("why_knuckle_bore", value=value, limit=limit)
    if isinstance(result, EndplayResult) and part in ("bearing", "hub nut"):
        value = say.length(judged_um(result), expanded_um=expanded_um(result))
        return say(f"why_{part.replace(' ', '_')}_endplay", value=value, limit=limit)
    if isinstance(result, RunoutResult) and part == "bearing" and result.non_repeatable_mm is not None:
        return say("why_bearing_runout", value=say.length(UM_PER_MM * result.non_repeatable_mm))
    if isinstance(result, RunoutResult) and part == "flange" and result.per_turn_orders:
        largest = max(result.per_turn_orders, key=lambda order: order.amplitude_mm)
        repeatable = result.fim_mm.repeatable
        return say(
            "why_flange_runout",
            value=say.length(judged_um(result), expanded_um=expanded_um(result)),
            limit=limit,
            repeatable=say.length(None if repeatable is None else UM_PER_MM * repeatable),
            order=largest.order,
            swing=say.length(2 * UM_PER_MM * largest.amplitude_mm),
        )
    return say("why_other")
