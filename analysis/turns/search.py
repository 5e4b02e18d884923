"""The search for the number of turns: many starts, a fit each, and a second look where doubt is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.trace import FloatArray
from analysis.turns.realign import profile_angles, realigned
from analysis.turns.return_map import candidates
from analysis.turns.state_answers import surface_part
from analysis.turns.state_fit import Fit, fit
from analysis.turns.state_model import USUAL_TURNS, Problem

_GRID = 180
_QUICKEST = 36.0
_VERY_QUICK = 60.0
_MOST_ORDERS = 32
_NEAR_DOUBLE = 80.0
_MOST_NEAR = 3
_HOPELESS = 500.0
_CAGED = 5
# Log evidence behind the best, quickly fitted and finely: from further none of many traces came back.
_CAGED_ROUGH = 200.0
_CAGED_FINE = 150.0
# After a first look that gained less than this a second one finds next to nothing.
_WORTH_ANOTHER = 8.0
# Root mean square of a move, in turns, after which a fit ends where it was.
_SAME = 1e-3
CAGE = (0.415, 0.445)
"""Two frequencies, per turn, span 0.40 to 0.46 over the few turns of a run."""
_CAGE_PRICE = 4.0


def search(
    problem: Problem,
    *,
    guesses: Sequence[FloatArray] = (),
    least: float = 0.0,
    usual: float | None = None,
) -> list[Fit]:
    """Answers with different counts of turns, most likely first.

    Args:
        problem: the readings and what is known beside them.
        guesses: positions (n,) in turns to start from besides those that the trace suggests.
        least: fewer turns than this are out of the question (taps of an index mark say so).
        usual: turns that were asked for, a weak prior.
    """
    problem = replace(problem, usual_turns=usual or USUAL_TURNS)
    grid = np.linspace(problem.time_s[0], problem.time_s[-1], _GRID)
    even = np.interp(grid, problem.time_s, problem.reading_um)
    found = candidates(even, float(problem.sigma_um[0]))
    starts = [*guesses, *(np.interp(problem.time_s, grid, one.turns) for one in found)]
    starts = [one for one in starts if one[-1] - one[0] > least]
    fits = _distinct(_all_fine(problem, _rough(problem, starts, 0.05)))
    if not fits:
        return []
    if _unsure(fits, gap=70.0):
        first = _with_doubles(fits[:2])
        rest = [one for one in fits[2:] if score(one) > score(fits[0]) - _HOPELESS]
        fits = _distinct([rescued(one) for one in first] + rest)
        if rest and _unsure(fits, gap=60.0):
            fits = _distinct([rescued(one) for one in rest] + fits)
    if _unsure(fits, gap=60.0) or fits[0].total < 3.3:
        fits = _with_cage(fits, starts)
    else:
        fits = _distinct([fine(replace(problem, cage=CAGE), fits[0].turns), *fits])
    return [one for one in _told_apart(fits) if one.total > least]


def _rough(problem: Problem, starts: Sequence[FloatArray], tolerance: float) -> list[Fit]:
    """Quick fits that allow the readings to miss by a part of their spread, most likely first."""
    spread = float(np.std(problem.reading_um))
    loose = replace(problem, sigma_um=np.hypot(problem.sigma_um, tolerance * spread), orders=6)
    return sorted((fit(loose, one, rounds=5) for one in starts), key=lambda one: -one.evidence)


def _with_cage(fits: list[Fit], starts: Sequence[FloatArray]) -> list[Fit]:
    """The answers, and those that a slow motion beside the turns makes likelier.

    They start afresh: a fit without the slow motion has bent its turns to follow it.
    """
    cage = replace(fits[0].problem, cage=CAGE)
    doubled = [2.0 * one for one in starts if one[-1] - one[0] < 3.3]
    rough = _distinct(_rough(cage, [*starts, *doubled, fits[0].turns], 0.1))
    rough = [one for one in rough[:_CAGED] if one.evidence > rough[0].evidence - _CAGED_ROUGH]
    caged = _all_fine(cage, rough, fits[0].evidence)
    best = score(fits[0])
    return _distinct([rescued(one) for one in caged if score(one) > best - _CAGED_FINE] + fits)


def _told_apart(fits: list[Fit]) -> list[Fit]:
    """The answers with the first and its half or double fitted again with many orders.

    The half as many turns have two orders for each of the other: with few they follow a pull at the studs
    that the others cannot.
    """
    best = fits[0]
    near = [one for one in fits if score(one) > score(best) - _NEAR_DOUBLE]
    ratios = [max(one.total, best.total) / min(one.total, best.total) for one in near]
    double = [abs(ratio - 2.0) < 0.2 for ratio in ratios]
    if not any(double):
        return fits
    again = [one for place, one in enumerate(near) if place < _MOST_NEAR or double[place]]
    return _distinct([fine(one.problem, one.turns, quickest=_VERY_QUICK, highest=40) for one in again])


def _all_fine(problem: Problem, rough: Sequence[Fit], rival: float = -np.inf) -> list[Fit]:
    """Each fitted finely, with less care where it stays far behind the best so far."""
    fits = []
    for one in rough:
        fits.append(fine(problem, one.turns, rival=rival))
        rival = max(rival, fits[-1].evidence)
    return fits


def fine(
    problem: Problem,
    turns: FloatArray,
    *,
    quickest: float = _QUICKEST,
    highest: int = _MOST_ORDERS,
    rival: float = -np.inf,
) -> Fit:
    """A fit with as many orders as make every count of turns equally able to follow quick changes."""
    total = max(float(turns[-1] - turns[0]), 0.5)
    most = min(quickest, problem.time_s.size / 3.0)
    orders = int(np.clip(round(most / total), 4, highest))
    return fit(replace(problem, orders=orders), turns, rival=rival)


def _unsure(fits: list[Fit], *, gap: float) -> bool:
    best = fits[0]
    return misfit(best) > 0.8 or best.total < 2.0 or len(fits) < 2 or score(best) - score(fits[1]) < gap


def score(one: Fit) -> float:
    """Log evidence with what is known before: some three or four turns, and seldom a worn cage."""
    usual = 0.5 * (np.log(max(one.total, 0.1) / one.problem.usual_turns) / 0.5) ** 2
    return one.evidence - float(usual) - (_CAGE_PRICE if one.problem.cage else 0.0)


def misfit(one: Fit) -> float:
    """Weighted root mean square of the residual: 1 when the noise explains it."""
    return float(np.sqrt(np.mean((one.residual_um / one.problem.sigma_um) ** 2)))


def _with_doubles(fits: list[Fit]) -> list[Fit]:
    """The answers, and each with twice as many turns unless another already says so."""
    more = list(fits)
    for one in fits:
        if one.total < 3.3 and all(abs(2 * one.total - other.total) > 0.2 * one.total for other in more):
            more.append(fine(one.problem, 2.0 * one.turns))
    return more


def _distinct(fits: list[Fit]) -> list[Fit]:
    """Most likely first, of answers with nearly the same count only the best."""
    kept: list[Fit] = []
    for one in sorted(fits, key=lambda one: -score(one)):
        if all(abs(one.total - other.total) > 0.08 for other in kept):
            kept.append(one)
    return kept


def rescued(one: Fit, rounds: int = 2) -> Fit:
    """The answer after the readings were laid along its profile afresh, when that is likelier."""
    best = current = one
    problem = one.problem
    spread = float(np.std(problem.reading_um))
    soft = replace(problem, sigma_um=np.hypot(problem.sigma_um, 0.03 * spread))
    for _ in range(rounds):
        profile, rest = surface_part(current, profile_angles())
        tolerance = 0.7 * min(float(np.std(current.residual_um)), 0.3 * spread)
        turns = realigned(
            problem.reading_um - rest,
            np.maximum(problem.sigma_um, tolerance),
            profile,
            current.total / problem.time_s.size,
            0.0,
        )
        if turns[-1] < 0.8:
            break
        softly = fit(soft, np.maximum.accumulate(turns), rounds=6, weighed=False).turns
        if float(np.std(softly - current.turns)) < _SAME:
            break
        current = fine(problem, softly, rival=best.evidence)
        gained = current.evidence - best.evidence
        best = current if gained > 0.5 else best
        if gained < _WORTH_ANOTHER:
            break
    return best
