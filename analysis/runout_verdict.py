"""Run-out judged, on the safe side where the turns are not sure.

With the turns sure, the largest turn's movement is judged with its uncertainty. Otherwise:

- several counts of turns are possible: `within` needs the bound (no turn can have moved more) to pass too,
  and `over` needs that no possible turn is shorter than the judged one;
- no whole turn could be laid out but the hub has certainly gone round: a bound that passes the limit gives
  `within`; one that does not proves nothing, so the verdict is `not measurable`;
- the hub has not certainly gone round: `not measurable`;
- only taps tell of turns and the readings of a fine indicator do not move at all: `undecided`. So reads a hub
  that stood still, or a plunger that does not touch; a real flange moves it by more (common practice, no
  published source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from analysis import uncertainty
from analysis.judge import Judgement, coarse_for, judge, unless_holder_moved
from analysis.runout import DIVERGED, Runout
from analysis.values import Cleaned, Note, Setup, Turns, Uncertainty
from config.limits import Limit

LITTLE_MORE = 1.25
LEFT_OF_SHORTER = 0.9
SURE = 0.8
"""Below this confidence a count of turns is not taken as known."""
STANDING = 2.5
"""Steps, or standard deviations of the noise, within which a turn of a hub that stands still stays."""
STANDS = Note("flat", "The readings do not move by more than their noise: nothing in them tells turns.")


@dataclass(frozen=True, slots=True)
class RunoutJudged:
    """The verdict on a run-out, the uncertainty it was reached with, and whether a bound was judged."""

    judgement: Judgement
    uncertainty: Uncertainty | None
    bound_um: float | None


def judge_runout(
    runout: Runout, turns: Turns, cleaned: Cleaned, limit: Limit | None, setup: Setup
) -> RunoutJudged:
    """Judge a run-out that was taken apart, um; nothing is judged when the rest check saw the holder move."""
    judged = _judged_by_turns(runout, turns, cleaned, limit, setup)
    return replace(judged, judgement=unless_holder_moved(judged.judgement, setup.holder_moved))


def _judged_by_turns(
    runout: Runout, turns: Turns, cleaned: Cleaned, limit: Limit | None, setup: Setup
) -> RunoutJudged:
    if cleaned.refused or (runout.judged_um is None and runout.bound_um is None):
        return RunoutJudged(_not_measurable(limit, _why(cleaned, turns, runout)), None, None)
    if runout.judged_um is None:
        return _by_bound(runout, cleaned, limit, setup)
    found = uncertainty.combine((*runout.components, *uncertainty.instrument(runout.judged_um, setup)))
    judgement = judge(runout.judged_um, found, limit)
    if limit is not None and (coarse := coarse_for(cleaned.resolution_um, limit)) is not None:
        judgement = Judgement(judgement.verdict, judgement.conformity_probability, (*judgement.notes, coarse))
    elif judgement.verdict == "within" and turns.found_by == "marks":
        judgement = _unless_it_stood(judgement, runout.judged_um, turns, cleaned)
    if turns.confidence >= SURE and not turns.alternatives:
        return RunoutJudged(judgement, found, None)
    return RunoutJudged(_safe_side(judgement, runout, turns, cleaned, limit, setup), found, runout.bound_um)


def _unless_it_stood(judgement: Judgement, judged_um: float, turns: Turns, cleaned: Cleaned) -> Judgement:
    said = any(note.code == STANDS.code for note in turns.notes)
    if not said and judged_um > STANDING * max(cleaned.resolution_um, cleaned.noise_um):
        return judgement
    return Judgement("undecided", None, judgement.notes if said else (*judgement.notes, STANDS))


def _why(cleaned: Cleaned, turns: Turns, runout: Runout) -> Note:
    if cleaned.refused:
        return Note("refused", "The readings must not be judged; see the other reasons.")
    if DIVERGED in runout.notes or DIVERGED in turns.notes:
        return DIVERGED
    if turns.total is None:
        return Note("turns_unknown", "How far the hub was turned cannot be told from these readings.")
    return Note(
        "no_whole_turn",
        f"Only {turns.total:.2f} turns were seen: turn the hub at least once round, better three times.",
    )


def _not_measurable(limit: Limit | None, note: Note) -> Judgement:
    return Judgement("not measurable" if limit is not None else None, None, (note,))


def _by_bound(runout: Runout, cleaned: Cleaned, limit: Limit | None, setup: Setup) -> RunoutJudged:
    assert runout.bound_um is not None
    found = _bound_uncertainty(runout.bound_um, cleaned, setup)
    judgement = judge(runout.bound_um, found, limit)
    bound_mm = runout.bound_um / 1000.0
    if limit is None:
        return RunoutJudged(judgement, found, runout.bound_um)
    if judgement.verdict == "within":
        note = Note(
            "judged_by_bound",
            f"The turns could not be told apart, but the hub has gone round and never moved more than "
            f"{bound_mm:.4f} mm, so its run-out is within the limit.",
        )
        passed = Judgement("within", judgement.conformity_probability, (note,))
        return RunoutJudged(passed, found, runout.bound_um)
    note = Note(
        "bound_too_wide",
        f"The turns could not be told apart; all that is known is that the run-out is not above "
        f"{bound_mm:.4f} mm, which does not prove it within the limit. Turn again, with index marks.",
    )
    return RunoutJudged(_not_measurable(limit, note), found, runout.bound_um)


def _bound_uncertainty(bound_um: float, cleaned: Cleaned, setup: Setup) -> Uncertainty:
    parts = (uncertainty.resolution(cleaned.resolution_um), *uncertainty.instrument(bound_um, setup))
    return uncertainty.combine(parts)


def _safe_side(
    judgement: Judgement, runout: Runout, turns: Turns, cleaned: Cleaned, limit: Limit | None, setup: Setup
) -> Judgement:
    """Keep a verdict only where it holds for every count that the readings allow."""
    assert runout.judged_um is not None
    if limit is None:
        return judgement
    if judgement.verdict == "within":
        widest_um = max(runout.judged_um, runout.bound_um or runout.as_read_um or runout.judged_um)
        on_bound = judge(widest_um, _bound_uncertainty(widest_um, cleaned, setup), limit)
        if on_bound.verdict == "within" and turns.at_least_once:
            return judgement
        doubt = "a turn may be longer than the one that was judged"
    elif judgement.verdict == "over":
        if _holds_for_shorter_turns(runout.judged_um, turns, cleaned, limit, setup):
            return judgement
        doubt = "a turn may be shorter than the one that was judged"
    else:
        return judgement
    note = Note(
        "turns_ambiguous",
        f"The readings allow more than one count of turns, and {doubt}: this verdict would be "
        f"'{judgement.verdict}' only if {turns.total or 0.0:.2f} turns is right. Turn again, with index "
        "marks.",
    )
    return Judgement("undecided", judgement.conformity_probability, (*judgement.notes, note))


def _holds_for_shorter_turns(
    judged_um: float, turns: Turns, cleaned: Cleaned, limit: Limit, setup: Setup
) -> bool:
    """Over the limit for every count that the readings allow.

    Fewer turns are longer ones, and move no less. Turns a fifth shorter, at the most, still hold nine
    tenths of the movement of a once-per-turn surface (half of 1 + cos 36 degrees), and more of any other.
    """
    if turns.total is None or not turns.alternatives:
        return False
    if max(turns.alternatives) > turns.total * LITTLE_MORE:
        return False
    if max(turns.alternatives) <= turns.total:
        return True
    least_um = LEFT_OF_SHORTER * judged_um
    return judge(least_um, _bound_uncertainty(least_um, cleaned, setup), limit).verdict == "over"
