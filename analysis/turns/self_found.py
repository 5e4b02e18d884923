"""Turns from the trace's own repetition, with index marks as noisy help where there are any."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.cleaning_clock import working_time
from analysis.turns.marked import guesses, passings
from analysis.turns.realign import profile_angles
from analysis.turns.reversals import most_whole_turns, reversals
from analysis.turns.search import misfit, search
from analysis.turns.starts import starts_of
from analysis.turns.state_fit import Fit, Problem, surface_part
from analysis.turns.thinning import thinned
from analysis.values import Cleaned, Note, Setup, Turns

_FEWEST = 24
# Between the first and the last of n taps the hub went round n - 1 times, as nearly as a hand taps.
_TAP_TURNS = 1.1
# A count this little above a whole number may be that turn just begun.
_NEARLY = 0.1
# A hub that certainly went round has shown its highest and lowest place and come back to one of them.
_ROUND_BACK = 3


def _turning_rules(one: Fit) -> bool:
    """Most of the movement is the surface's own: drift alone could make turns of any smooth arc."""
    profile, _ = surface_part(one, profile_angles())
    return bool(np.ptp(profile) >= 0.5 * np.ptp(one.problem.reading_um))


def from_repetition(cleaned: Cleaned, setup: Setup, *, second_face_deg: float | None = None) -> Turns:
    """Turns found from the likeness of one turn to the next."""
    trace = cleaned.trace
    nothing = Turns(None, 0, "none", np.empty(0), 0.0)
    if len(trace) < _FEWEST or np.ptp(trace.reading_um) < 4.0 * cleaned.noise_um:
        return replace(nothing, notes=(Note("flat", "The trace is flat within its noise."),))
    work_s = working_time(trace.time_s, trace.reading_um, cleaned.noise_um, cleaned.kept)
    time_s, reading, sigma = thinned(work_s, trace.reading_um, cleaned.noise_um)
    marks = np.empty(0) if trace.mark is None else work_s[trace.mark]
    at = np.clip(np.searchsorted(time_s, marks), 0, time_s.size - 1) if marks.size >= 2 else None
    problem = Problem(time_s, reading, sigma, mark_at=at)
    fits = search(problem, guesses=guesses(time_s, marks), least=passings(marks).size - _TAP_TURNS)
    back = reversals(trace.reading_um, cleaned.noise_um, cleaned.resolution_um)
    fits = [one for one in fits if int(one.total - _NEARLY) <= most_whole_turns(back)]
    if not fits:
        return replace(nothing, notes=(Note("no_repetition", "No turn repeats another."),))
    best = fits[0]
    position = np.interp(work_s, time_s, best.turns)
    gap = best.evidence - fits[1].evidence if len(fits) > 1 else 50.0
    left = misfit(best)
    confidence = float(1.0 / (1.0 + np.exp(-(gap - 5.0) / 5.0)))
    if left > 3.0:
        confidence = min(confidence, 0.6)
    if best.total < 1.4:
        confidence = min(confidence, 0.3)
    confidence = min(confidence, 0.99)
    others = tuple(round(f.total, 2) for f in fits[1:4]) if confidence < 0.8 else ()
    by_marks = marks.size >= 2
    if by_marks:
        position = position - float(best.coefficients[-1])
    starts = starts_of(trace.time_s, position, first=float(np.ceil(position[0])) if by_marks else 0.0)
    return Turns(
        total=best.total,
        complete=max(0, starts.size - 1),
        found_by="marks" if by_marks else "self",
        starts_s=starts,
        confidence=confidence,
        alternatives=others,
        angle_deg=360.0 * position,
        angle_standard_deg=3.0,
        speed_pattern_deg=4.0,
        at_least_once=min([best.total, *others]) > 1.2 and back >= _ROUND_BACK and _turning_rules(best),
    )
