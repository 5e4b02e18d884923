"""Turns from the trace's own repetition, with index marks as noisy help where there are any."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.trace import FloatArray
from analysis.turns.return_map import candidates
from analysis.turns.starts import starts_of
from analysis.turns.realign import profile_angles, realigned
from analysis.turns.state_fit import Fit, Problem, fit, surface_part
from analysis.values import Cleaned, Note, Setup, Turns

_GRID = 180
_POINTS = 300
_FEWEST = 24
_FINE = 7
_QUICKEST = 36.0


def from_repetition(cleaned: Cleaned, setup: Setup, *, second_face_deg: float | None = None) -> Turns:
    """Turns found from the likeness of one turn to the next."""
    trace = cleaned.trace
    nothing = Turns(None, 0, "none", np.empty(0), 0.0)
    if len(trace) < _FEWEST or np.ptp(trace.reading_um) < 4.0 * cleaned.noise_um:
        return replace(nothing, notes=(Note("flat", "The trace is flat within its noise."),))
    time_s, reading, sigma = thinned(trace.time_s, trace.reading_um, cleaned.noise_um)
    marks = trace.mark_s
    at = np.clip(np.searchsorted(time_s, marks), 0, time_s.size - 1) if marks.size >= 2 else None
    fits = search(Problem(time_s, reading, sigma, mark_at=at))
    if not fits:
        return replace(nothing, notes=(Note("no_repetition", "No turn repeats another."),))
    best = fits[0]
    position = np.interp(trace.time_s, time_s, best.turns)
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
        at_least_once=min([best.total, *others]) > 1.2,
    )


def thinned(time_s: FloatArray, reading_um: FloatArray, noise_um: float) -> tuple[FloatArray, ...]:
    """Block means of at most some hundred points, with each one's standard deviation."""
    block = max(1, int(np.ceil(time_s.size / _POINTS)))
    size = time_s.size // block * block
    time = time_s[:size].reshape(-1, block).mean(axis=1)
    reading = reading_um[:size].reshape(-1, block).mean(axis=1)
    return time, reading, np.full(time.size, np.hypot(noise_um / np.sqrt(block), 0.3 * noise_um))


def search(problem: Problem, *, guesses: Sequence[FloatArray] = ()) -> list[Fit]:
    """Answers with different counts of turns, most likely first."""
    spread = float(np.std(problem.reading_um))
    grid = np.linspace(problem.time_s[0], problem.time_s[-1], _GRID)
    even = np.interp(grid, problem.time_s, problem.reading_um)
    starts = [
        np.interp(problem.time_s, grid, one.turns) for one in candidates(even, float(problem.sigma_um[0]))
    ]
    coarse = replace(problem, sigma_um=np.hypot(problem.sigma_um, 0.05 * spread), orders=6)
    rough = sorted((fit(coarse, one, rounds=5) for one in [*guesses, *starts]), key=lambda one: -one.evidence)
    fits = _distinct([_fine(problem, one.turns) for one in rough[:_FINE]])
    if not fits:
        return []
    if _unsure(fits, gap=40.0):
        first = _with_doubles(fits[:2])
        rest = fits[2:]
        fits = _distinct([rescued(one) for one in first] + rest)
        if rest and _unsure(fits, gap=60.0):
            fits = _distinct([rescued(one) for one in rest] + fits)
    return fits


def _fine(problem: Problem, turns: FloatArray) -> Fit:
    """A fit with as many orders as make every count of turns equally able to follow quick changes."""
    total = max(float(turns[-1] - turns[0]), 0.5)
    most = min(_QUICKEST, problem.time_s.size / 3.0)
    orders = int(np.clip(round(most / total), 4, 24))
    return fit(replace(problem, orders=orders), turns)


def _unsure(fits: list[Fit], *, gap: float) -> bool:
    best = fits[0]
    return misfit(best) > 0.8 or best.total < 2.0 or len(fits) < 2 or best.evidence - fits[1].evidence < gap


def misfit(one: Fit) -> float:
    """Weighted root mean square of the residual: 1 when the noise explains it."""
    return float(np.sqrt(np.mean((one.residual_um / one.problem.sigma_um) ** 2)))


def _with_doubles(fits: list[Fit]) -> list[Fit]:
    """The answers, and each with twice as many turns unless another already says so."""
    more = list(fits)
    for one in fits:
        if one.total < 3.3 and all(abs(2 * one.total - other.total) > 0.2 * one.total for other in more):
            more.append(_fine(one.problem, 2.0 * one.turns))
    return more


def _distinct(fits: list[Fit]) -> list[Fit]:
    """Most likely first, of answers with nearly the same count only the best."""
    kept: list[Fit] = []
    for one in sorted(fits, key=lambda one: -one.evidence):
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
        current = _fine(problem, fit(soft, np.maximum.accumulate(turns), rounds=6).turns)
        if current.evidence < best.evidence + 0.5:
            break
        best = current
    return best
