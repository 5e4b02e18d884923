"""The chosen answer once more at the full rate of the readings, and how well it knows the angle."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.trace import FloatArray, IntArray
from analysis.turns.marked import nearest
from analysis.turns.state_answers import position_draws
from analysis.turns.state_fit import Fit, fit
from analysis.turns.thinning import thinned

_POINTS = 1200
_CALMER = (1.0, 0.6, 0.35, 0.2)
_ORDERS = 18
_DRAWS = 24
_GRID = 72
_REST_FACTOR = 1.6
_PATTERN_FACTOR = 1.45


@dataclass(frozen=True, slots=True, eq=False)
class Polished:
    """The final fit on its own points of time.

    Attributes:
        time_s: (m,) s.
        one: the fit at these.
    """

    time_s: FloatArray
    one: Fit


def calmed(best: Fit) -> Fit:
    """The answer fitted again as restlessly as this hand was: the evidence says how much (empirical Bayes).

    A prior that allows more than the hand did lets a speed pattern that repeats every turn pass for profile
    and the profile for a pattern, up to ten degrees of an evenly turned hub.
    Source: D. MacKay, "Bayesian interpolation", Neural Computation 4 (1992), from memory.
    """
    told, found = _evidence(best), best
    for restless in _CALMER:
        tried = fit(replace(best.problem, restless=restless), found.turns, rounds=12)
        if _evidence(tried) < told:
            break
        told, found = _evidence(tried), tried
    return found


def _evidence(one: Fit) -> float:
    """The evidence of a fit with what it leaves out as constant: the width of the prior on the speed."""
    return one.evidence - (one.turns.size - 2) * float(np.log(one.problem.restless))


def polished(
    best: Fit,
    time_s: FloatArray,
    reading_um: FloatArray,
    second_um: FloatArray | None,
    noise_um: float,
    *,
    taps_s: FloatArray,
) -> Polished:
    """The answer `best` fitted again to all readings (means of a few where there are very many)."""
    best = calmed(best)
    problem = best.problem
    time, mean, sigma = thinned(time_s, reading_um, noise_um, points=_POINTS)
    at = None if problem.mark_at is None else nearest(time, taps_s)
    second = None if second_um is None else thinned(time_s, second_um, noise_um, points=_POINTS)[1]
    orders = int(max(problem.orders, min(_ORDERS, time.size / best.total / 3.0)))
    finer = replace(
        problem,
        orders=orders,
        time_s=time,
        reading_um=mean,
        sigma_um=sigma,
        second_um=second,
        mark_at=at,
    )
    return Polished(time, fit(finer, np.interp(time, problem.time_s, best.turns), rounds=6))


def angle_standard_deg(one: Fit) -> float:
    """Standard uncertainty of an angle between two readings of a turn, what repeats every turn left out.

    From positions drawn from the fit's posterior, times what traces with a known truth showed it to fall
    short by (sudden rests are not normally distributed).
    """
    rows, phase = _over_phase(one, position_draws(one, _DRAWS))
    count = np.maximum(np.bincount(phase, minlength=_GRID), 1)
    rest = np.array([row - (np.bincount(phase, row, minlength=_GRID) / count)[phase] for row in rows])
    return float(_REST_FACTOR * 360.0 * np.sqrt(np.mean(rest**2)))


def speed_pattern_deg(one: Fit, time_s: FloatArray) -> float:
    """Standard uncertainty of the angle from a speed pattern that is the same in every turn.

    The trace cannot tell such a pattern from the profile, and the fit holds it to be none. How large it
    may be is read from how uneven the turns were found to be: uneven in each turn on its own, the mean of
    T turns still repeats by that over the root of T. What the fit took for profile is missing in this:
    the factor is what traces with a known truth showed.
    """
    whole = max(1, int(one.total))
    reached = np.maximum.accumulate(one.turns)
    rising = np.concatenate([[True], np.diff(reached) > 0.0])
    uneven = []
    for turn in np.append(np.arange(whole), max(one.total - 1.0, 0.0)):
        share = np.linspace(0.0, min(1.0, one.total), _GRID + 1)
        at = np.interp(turn + share, reached[rising], time_s[rising])
        away = share - share[-1] * (at - at[0]) / max(at[-1] - at[0], 1e-9)
        uneven.append(float(np.var(away)))
    return float(_PATTERN_FACTOR * 360.0 * np.sqrt(np.mean(uneven) / max(one.total, 1.0)))


def _over_phase(one: Fit, rows: FloatArray) -> tuple[FloatArray, IntArray]:
    """Rows interpolated to an even grid of angle over the whole turns, and each grid point's phase bin."""
    grid = (np.arange(max(1, int(one.total)) * _GRID) + 0.5) / _GRID
    reached = np.maximum.accumulate(one.turns)
    grid = grid[grid < reached[-1]]
    return np.array([np.interp(grid, reached, row) for row in rows]), np.arange(grid.size) % _GRID
