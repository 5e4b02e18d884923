"""Turns from the trace's own repetition, with index marks as noisy help where there are any."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analysis.cleaning_clock import working_time
from analysis.cleaning_still import longest_blind_s
from analysis.trace import FloatArray
from analysis.turns.confidence import confidence_of, signs_of
from analysis.turns.ends import cut_ends, with_ends
from analysis.turns.marked import from_taps, guesses, nearest, passings, tapped_s
from analysis.turns.polish import angle_standard_deg, polished, speed_pattern_deg
from analysis.turns.realign import profile_angles
from analysis.turns.reversals import most_whole_turns, reversals
from analysis.turns.search import fine, search
from analysis.turns.starts import starts_of
from analysis.turns.state_answers import coefficient_standards, surface_part, wave_standards
from analysis.turns.state_fit import Fit
from analysis.turns.state_model import Problem
from analysis.turns.telling import alias_of, dawdled, hurried, is_flat, many_of, plausible, slow_notes
from analysis.turns.thinning import thinned
from analysis.values import Cleaned, Note, Setup, Turns

_FEWEST = 24
# Between the first and the last of n taps the hub went round n - 1 times, as nearly as a hand taps.
_TAP_TURNS = 1.1
# A count this little above a whole number may be that turn just begun.
_NEARLY = 0.1
# A hub that certainly went round has shown its highest and lowest place and come back to one of them.
_ROUND_BACK = 3
_SURE = 0.8
_DOUBTFUL = 0.5
_BLIND = 0.7
_MOST_MISSED = 1.6
_COUNT_STANDARD = 0.06
_BLIND_TURNS = 0.3


def from_repetition(cleaned: Cleaned, setup: Setup, *, second_face_deg: float | None = None) -> Turns:
    """Turns found from the likeness of one turn to the next.

    Args:
        cleaned: the trace after cleaning.
        setup: `asked_turns` is a weak prior.
        second_face_deg: angle on to a second indicator on the same face, whose delay tells the speed.
    """
    trace = cleaned.trace
    work_s = working_time(trace.time_s, trace.reading_um, cleaned.noise_um, cleaned.kept)
    taps = np.empty(0) if trace.mark is None else tapped_s(work_s, trace.mark)
    if len(trace) < _FEWEST or is_flat(trace.reading_um, cleaned.noise_um):
        note = Note("flat", "The readings do not move by more than their noise: nothing in them tells turns.")
        return from_taps(trace.time_s, work_s, taps, note)
    second = trace.reading2_um if second_face_deg is not None else None
    problem = _problem(cleaned, work_s, taps, second, second_face_deg)
    fits = search(
        problem,
        guesses=guesses(problem.time_s, taps),
        least=passings(taps).size - _TAP_TURNS,
        usual=setup.asked_turns,
    )
    back = reversals(trace.reading_um, cleaned.noise_um, cleaned.resolution_um)
    possible = [one for one in fits if int(one.total - _NEARLY) <= most_whole_turns(back)]
    if not possible:
        return from_taps(trace.time_s, work_s, taps, Note("no_repetition", "No turn repeats another."))
    told = _told(cleaned, work_s, taps, second, possible, back)
    if taps.size < 2 and (possible[0] is not fits[0] or not _turning_rules(possible[0])):
        # The likeliest laying out is ruled out, or mostly drift: part of a turn looks like that.
        return replace(told, confidence=min(told.confidence, _DOUBTFUL))
    return _with_blind_time(told, trace.time_s, cleaned)


def _problem(
    cleaned: Cleaned, work_s: FloatArray, taps: FloatArray, second: FloatArray | None, face_deg: float | None
) -> Problem:
    time_s, reading, sigma = thinned(work_s, cleaned.trace.reading_um, cleaned.noise_um)
    at = nearest(time_s, taps) if taps.size >= 2 else None
    problem = Problem(time_s, reading, sigma, mark_at=at)
    if second is None or face_deg is None:
        return problem
    thin = thinned(work_s, second, cleaned.noise_um)[1]
    return replace(problem, second_um=thin, second_turns=face_deg / 360.0)


def _told(
    cleaned: Cleaned,
    work_s: FloatArray,
    taps: FloatArray,
    second: FloatArray | None,
    fits: list[Fit],
    back: int,
) -> Turns:
    trace = cleaned.trace
    by_marks = taps.size >= 2
    confidence = confidence_of(signs_of(fits), taps=passings(taps).size if by_marks else 0)
    others = [one.total for one in fits[1:4]] if confidence < _SURE else []
    notes = []
    best, other = fits[0], None
    if not by_marks and second is None:
        best, other = _settled(best)
        if other is None and (alias := alias_of(best)) is not None:
            notes.append(_unlikely(best.total, alias))
    elif by_marks and second is None:
        other = _with_no_tap_missed(best)
    many = None if by_marks else many_of(best)
    if other is not None or many is not None:
        confidence = min(confidence, _DOUBTFUL)
        others = [*(one for one in (other, many) if one is not None), *others]
    if confidence < _SURE:
        told = ", ".join(f"{one:.2f}" for one in others) or "none that is likely"
        notes.append(
            Note(
                "count_uncertain" if other is None else "turn_or_half_turn",
                f"The readings allow {best.total:.2f} turns; other counts that they allow: {told}.",
            )
        )
    final = polished(best, work_s, trace.reading_um, second, cleaned.noise_um, taps_s=taps)
    position: FloatArray = np.interp(work_s, final.time_s, final.one.turns)
    step_um = cleaned.resolution_um
    position, ends_standard = with_ends(
        final.one, position, work_s, trace.reading_um, cleaned.noise_um, step_um, cut_ends(cleaned.kept)
    )
    total = float(position[-1] - position[0])
    confidence = confidence * math.erf(0.25 / math.hypot(ends_standard, _COUNT_STANDARD) / math.sqrt(2.0))
    if by_marks:
        position = position - float(final.one.coefficients[-1])
    starts = starts_of(trace.time_s, position, first=float(np.ceil(position[0])) if by_marks else 0.0)
    return Turns(
        total=total,
        complete=max(0, starts.size - 1),
        found_by="marks" if by_marks else "self",
        starts_s=starts,
        confidence=confidence,
        alternatives=tuple(round(one, 2) for one in others),
        angle_deg=360.0 * position,
        angle_standard_deg=angle_standard_deg(final.one),
        speed_pattern_deg=0.0 if second is not None else speed_pattern_deg(final.one, final.time_s),
        at_least_once=_at_least_once(best, others, back),
        notes=(*notes, *slow_notes(final.one)),
        mark_standard_deg=360.0 * float(coefficient_standards(final.one)[-1]) if by_marks else 0.0,
        order_standards_um=() if second is None else tuple(wave_standards(final.one, along=True).tolist()),
    )


def _with_blind_time(told: Turns, time_s: FloatArray, cleaned: Cleaned) -> Turns:
    """Less sure when the hub may have turned unseen: readings lost, stuck, or one reading held for long."""
    if told.total is None or told.found_by == "marks":
        return told
    blind = longest_blind_s(time_s, cleaned.trace.reading_um, cleaned.resolution_um, cleaned.noise_um)
    turned = blind * told.total / max(float(time_s[-1] - time_s[0]), 1e-9)
    if turned < _BLIND_TURNS:
        return told
    note = Note(
        "unseen_motion",
        f"For {blind:.1f} s the readings say nothing (lost, stuck or at rest): some {turned:.1f} of a turn "
        "may lie in it or not.",
    )
    others = tuple(round(told.total + more, 2) for more in (-1.0, 1.0) if told.total + more > 1.0)
    return replace(
        told,
        confidence=min(told.confidence, _BLIND),
        alternatives=told.alternatives or others,
        notes=(*told.notes, note),
    )


def _settled(best: Fit) -> tuple[Fit, float | None]:
    """The answer, and the count that it cannot be told from; of the two the likelier asked for."""
    alias = alias_of(best)
    usual = best.problem.usual_turns
    if alias is None and hurried(best):
        alias = 0.5 * best.total
    if alias is None or not plausible(alias, usual) or (alias < best.total and dawdled(best, alias)):
        return best, None
    if plausible(best.total, usual):
        return best, alias
    return fine(best.problem, best.turns * (alias / best.total)), best.total


def _with_no_tap_missed(best: Fit) -> float | None:
    """The count if every passing was tapped, where the fit holds most taps to be missed; else None.

    With two taps there is one gap, and nothing but the trace's own likeness says how many turns lie in it.
    """
    taps = best.problem.mark_at
    if taps is None or taps.size < 2:
        return None
    usual = float(np.median(np.diff(best.turns[taps])))
    return best.total / round(usual) if usual > _MOST_MISSED else None


def _unlikely(total: float, alias: float) -> Note:
    return Note(
        "turn_or_half_turn",
        f"The readings cannot tell {total:.2f} turns from {alias:.2f}; so many, so few or so slow are "
        "unlikely.",
    )


def _at_least_once(best: Fit, others: list[float], back: int) -> bool:
    """Whether the hub went round whatever the count is, the one that it cannot be told from included."""
    least = min([best.total, *others, alias_of(best) or np.inf])
    return bool(least > 1.2 and back >= _ROUND_BACK and _turning_rules(best))


def _turning_rules(one: Fit) -> bool:
    """Most of the movement is the surface's own: drift alone could make turns of any smooth arc."""
    profile, _ = surface_part(one, profile_angles())
    return bool(np.ptp(profile) >= 0.5 * np.ptp(one.problem.reading_um))
