"""What to do with each part of the wheel end, from numbers and observations together.

The rules are common practice, no published source; the vehicle maker's procedure takes precedence. A part
is never called good on a missing figure: what is not known leaves it undecided, with the measurement that
would decide it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.findings import waits_for_rest_check
from analysis.results import Judged, Verdict

DecidedPart = Literal["bearing", "flange", "knuckle", "hub nut", "retaining ring"]
Action = Literal["keep", "replace", "put right", "undecided"]

AGAIN_FINER = "measure again with an indicator of finer steps, and more turns or strokes"
CLEAN_FACE = "take the disc off, clean the flange's face and measure again"
MEASURE_PLAY = "push and pull the hub and measure the end play"
MEASURE_RUNOUT = "turn the hub and measure the run-out"
MOVE_HOLDER = "move the holder to a stiffer place, make a rest check and measure again"
NUT_FIRST = "bring the hub nut to its torque and measure the end play"
FOUR_DIRECTIONS = "measure the bore in four directions at two depths"


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do with one part.

    Attributes:
        part: which.
        action: what to do.
        reasons: why, one sentence each.
        would_change: what would change it.
        next_measurement: proposed when undecided, else None.
    """

    part: DecidedPart
    action: Action
    reasons: tuple[str, ...]
    would_change: str
    next_measurement: str | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """What was found at one wheel end so far.

    Attributes:
        answers: step of the path -> answer.
        endplay, runout, bore: latest results of the stage; None when not measured.
        after_repair: the results belong to a new bearing.
        misfit: why the new bearing's ring and the bore do not fit; None when they do, or nobody looked.
    """

    answers: Mapping[str, str]
    endplay: Judged | None = None
    runout: Judged | None = None
    bore: Judged | None = None
    after_repair: bool = False
    misfit: str | None = None

    def says(self, step: str, *answers: str) -> bool:
        """Whether the step was answered with one of these."""
        return self.answers.get(step) in answers


def decide(seen: Seen) -> tuple[Decision, ...]:
    """A decision for each part, in the order bearing, flange, knuckle, hub nut, retaining ring."""
    return (_bearing(seen), _flange(seen), _knuckle(seen), _nut(seen), _ring(seen))


def _verdict(result: Judged | None) -> Verdict | None:
    return result.verdict if result is not None else None


def _points(result: Judged | None, part: str) -> Sequence[str]:
    return [pointer.why for pointer in result.points_to if pointer.part == part] if result else []


def _bearing(seen: Seen) -> Decision:
    change = "nothing: a bearing of this kind is not repaired and never used again once out"
    why = [f"The new one must not go in: {seen.misfit}."] if seen.misfit else []
    turning = "turning_after" if seen.after_repair else "turning"
    if seen.says(turning, "rough", "stiff"):
        why.append(f"It turns {seen.answers[turning]}.")
    if seen.says("seal", "damaged", "grease lost") and not seen.after_repair:
        why.append(f"Seal: {seen.answers['seal']}.")
    for step, text in (
        ("pressed_in", "It was pressed in through its rolling elements."),
        ("flange_in", "Its inner race was not supported when the flange went in."),
    ):
        if seen.says(step, "on the inner race", "inner race not supported"):
            why.append(text)
    if why:
        return Decision("bearing", "replace", tuple(why), change)
    if not seen.says("nut_torqued", "yes") and not seen.after_repair:
        text = "End play means nothing until the hub nut is at its torque (split inner ring)."
        return Decision("bearing", "undecided", (text,), "the end play at the nut's torque", NUT_FIRST)
    worn = [*_points(seen.endplay, "bearing"), *_points(seen.runout, "bearing")]
    if _verdict(seen.endplay) == "over" or worn:
        if seen.after_repair and _points(seen.endplay, "hub nut"):
            text = "End play over right after fitting: the hub nut comes before the bearing."
            return Decision("bearing", "undecided", (text, *worn), "the end play after the torque", NUT_FIRST)
        if any(map(waits_for_rest_check, worn)) and _verdict(seen.endplay) != "over":
            return Decision("bearing", "undecided", tuple(worn), "a rest check of the holder", MOVE_HOLDER)
        return Decision("bearing", "replace", tuple(worn) or ("End play is over its limit.",), change)
    if _verdict(seen.endplay) == "within" and _verdict(seen.runout) in ("within", "over"):
        change = "end play or non-repeatable run-out over the limit, rough turning, a damaged seal"
        smooth = "; it turns smoothly" if seen.says(turning, "smooth") else ""
        return Decision("bearing", "keep", (f"End play is within its limit{smooth}.",), change)
    change = "a figure that proves either"
    if seen.endplay is None:
        return Decision("bearing", "undecided", ("End play was not measured.",), change, MEASURE_PLAY)
    text = "End play is neither proved within nor over."
    if _verdict(seen.endplay) == "within":
        text = "End play is within its limit, but the run-out does not say what the bearing does."
    return Decision("bearing", "undecided", (text,), change, AGAIN_FINER if seen.runout else MEASURE_RUNOUT)


def _flange(seen: Seen) -> Decision:
    if seen.says("groove", "yes"):
        text = "A groove is worn where the bearing rides."
        return Decision("flange", "replace", (text,), "nothing: a grooved flange is not used again")
    why = tuple(_points(seen.runout, "flange"))
    if _verdict(seen.runout) == "over" and why:
        if seen.says("face_cleaned", "yes"):
            return Decision("flange", "replace", why, "nothing: a bent flange is not used again")
        change = "the run-out with the disc off and the face clean"
        return Decision("flange", "replace", why, change, CLEAN_FACE)
    if _verdict(seen.runout) == "within":
        return Decision("flange", "keep", ("Run-out is within its limit.",), "run-out over, or a groove")
    if seen.runout is None:
        text, then = "Run-out was not measured.", MEASURE_RUNOUT
    elif _verdict(seen.runout) == "over":
        text, then = "Run-out is over, but not by what repeats every turn.", MOVE_HOLDER
    else:
        text, then = "Run-out is neither proved within nor over.", AGAIN_FINER
    return Decision("flange", "undecided", (text,), "a figure that proves either", then)


def _knuckle(seen: Seen) -> Decision:
    verdict = _verdict(seen.bore)
    if verdict == "over":
        why = tuple(_points(seen.bore, "knuckle"))
        text = "The bearing must not go in."
        return Decision(
            "knuckle", "replace", (*why, text), "the bore measured again, clean and without burrs"
        )
    if verdict == "within":
        return Decision("knuckle", "keep", ("The bore is within its limits.",), "a bore out of its limits")
    if seen.bore is None and not seen.says("replace", "yes"):
        text = "The bearing is in, so the bore was not looked at."
        return Decision("knuckle", "keep", (text,), "taking the bearing out")
    text = "The bore was not measured." if seen.bore is None else "The bore is not proved within its limits."
    return Decision(
        "knuckle", "undecided", (text, "Until then no bearing goes in."), "the bore", FOUR_DIRECTIONS
    )


def _nut(seen: Seen) -> Decision:
    if seen.says("nut", "old, one-use"):
        text = "A one-use nut was used again."
        return Decision("hub nut", "replace", (text,), "nothing: it is made for one use")
    for step in ("torque_tool", "nut_loosened"):
        if seen.says(step, "impact wrench"):
            text = "An impact wrench was used on it: its torque is unknown and the bearing may be hurt."
            return Decision("hub nut", "put right", (text,), "a new nut, tightened with a torque wrench")
    if seen.after_repair and _points(seen.endplay, "hub nut"):
        why = tuple(_points(seen.endplay, "hub nut"))
        return Decision("hub nut", "put right", why, "end play within its limit after the torque", NUT_FIRST)
    if seen.says("nut_torqued", "no"):
        return Decision("hub nut", "put right", ("It is not at its torque.",), "its torque", NUT_FIRST)
    if seen.says("nut_torqued", "yes") or "torque" in seen.answers:
        return Decision(
            "hub nut", "keep", ("It is at its torque.",), "a torque found below the maker's figure"
        )
    text = "Its torque was not checked."
    return Decision("hub nut", "undecided", (text,), "its torque", NUT_FIRST)


def _ring(seen: Seen) -> Decision:
    if seen.says("retaining_ring", "old"):
        text = "The old ring was used again."
        return Decision("retaining ring", "replace", (text,), "nothing: a new ring belongs to a new bearing")
    if seen.says("replace", "yes") and not seen.says("retaining_ring", "new"):
        text = "A new bearing gets a new retaining ring."
        return Decision("retaining ring", "replace", (text,), "a design without a retaining ring")
    return Decision("retaining ring", "keep", ("Nothing speaks against it.",), "taking the bearing out")
