"""The verdict: a figure and its uncertainty against a limit.

Decision rule of ISO 14253-1: conformity is proved when the figure plus its expanded uncertainty does not
exceed the limit, non-conformity when the figure minus it does; between the two neither is proved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.results import Verdict
from analysis.values import Note, Uncertainty
from config.lengths import NM_PER_UM
from config.limits import Limit

TOO_COARSE_FRACTION = 0.1
"""A step above this part of the limit is coarse (the rule of ten; common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What was decided and why.

    Attributes:
        verdict: None only without a limit.
        conformity_probability: probability that the true value is at or below the limit (at or below
            `good_up_to` where the limit is a pair), JCGM 106:2012, 7.2; None without a limit.
        notes: the reasons.
    """

    verdict: Verdict | None
    conformity_probability: float | None
    notes: tuple[Note, ...]


def unless_holder_moved(judgement: Judgement, holder_moved: bool | None) -> Judgement:
    """No verdict on readings whose indicator was not held still: the holder's movement is in them.

    Args:
        judgement: what the figure alone would say.
        holder_moved: what the rest check said, None when there was none.
    """
    if not holder_moved or judgement.verdict is None:
        return judgement
    note = Note(
        "holder_moved",
        "The rest check saw the holder move, so these readings are not the hub's alone: fasten the holder, "
        "repeat the rest check and measure again.",
    )
    return Judgement("not measurable", None, (note, *judgement.notes))


def judge(value_um: float, uncertainty: Uncertainty, limit: Limit | None) -> Judgement:
    """Judge one figure against an upper limit.

    Args:
        value_um: the figure, zero or above.
        uncertainty: its standard and expanded uncertainty.
        limit: None gives no verdict.

    Source: ISO 14253-1 (rule), JCGM 106:2012 (probability).
    """
    if limit is None:
        return Judgement(None, None, (Note("no_limit", "No limit was given, so nothing was judged."),))
    accept_um, reject_um = limit.accept_nm / NM_PER_UM, limit.reject_nm / NM_PER_UM
    chance = conformity_probability(value_um, uncertainty, accept_um)
    low_um, high_um = value_um - uncertainty.expanded_um, value_um + uncertainty.expanded_um
    if high_um <= accept_um:
        return Judgement("within", chance, ())
    if low_um > reject_um:
        return Judgement("over", chance, ())
    return Judgement("undecided", chance, _why_undecided(value_um, low_um, high_um, accept_um, reject_um))


def conformity_probability(value_um: float, uncertainty: Uncertainty, limit_um: float) -> float:
    """Probability that the true value is at or below `limit_um`.

    Normal with infinite degrees of freedom (JCGM 106:2012, 7.3); else the scaled and shifted t that
    belongs to the expanded uncertainty (JCGM 101:2008, 6.4.9), with the same truncated degrees of freedom.
    """
    from scipy.special import ndtr, stdtr  # heavy: a station that starts judges nothing yet

    if uncertainty.standard_um == 0.0:
        return 1.0 if value_um <= limit_um else 0.0
    score = (limit_um - value_um) / uncertainty.standard_um
    if math.isinf(uncertainty.degrees_of_freedom):
        return float(ndtr(score))
    return float(stdtr(max(1, math.floor(uncertainty.degrees_of_freedom)), score))


def _why_undecided(
    value_um: float, low_um: float, high_um: float, accept_um: float, reject_um: float
) -> tuple[Note, ...]:
    notes = []
    if reject_um > accept_um and high_um > accept_um and low_um <= reject_um:
        notes.append(_between(value_um, low_um, high_um, accept_um, reject_um))
    if not (accept_um < low_um and high_um <= reject_um):
        edge_um = min((accept_um, reject_um), key=lambda edge: abs(edge - value_um))
        notes.append(
            Note(
                "uncertainty_spans_limit",
                f"{_mm(value_um)} mm with its uncertainty reaches from {_mm(low_um)} to {_mm(high_um)} mm, "
                f"on both sides of {_mm(edge_um)} mm: neither within nor over is proved.",
            )
        )
    return tuple(notes)


def _between(value_um: float, low_um: float, high_um: float, accept_um: float, reject_um: float) -> Note:
    sure = accept_um < low_um and high_um <= reject_um
    lies = "lies" if sure else "may lie"
    return Note(
        "maker_decides",
        f"{_mm(value_um)} mm {lies} between {_mm(accept_um)} mm (good) and {_mm(reject_um)} mm (bad): "
        "the vehicle maker's figure decides.",
    )


def coarse_for(resolution_um: float, limit: Limit) -> Note | None:
    """A note when the indicator's step is above a tenth of the limit."""
    limit_um = limit.accept_nm / NM_PER_UM
    if resolution_um <= TOO_COARSE_FRACTION * limit_um:
        return None
    return Note(
        "resolution_coarse",
        f"The indicator's step of {_mm(resolution_um)} mm is more than a tenth of the limit of "
        f"{_mm(limit_um)} mm; an indicator with a finer step narrows the uncertainty.",
    )


def _mm(value_um: float) -> str:
    """Millimetres with four decimals at most, for a sentence."""
    return f"{value_um / 1000.0:.4f}".rstrip("0").rstrip(".")
