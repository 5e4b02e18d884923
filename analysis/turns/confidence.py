"""How sure a count of turns is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.turns.search import score
from analysis.turns.state_answers import speed_changes, waves
from analysis.turns.state_fit import Fit

_APART = 0.2
_NO_RIVAL = 15.0


@dataclass(frozen=True, slots=True)
class Signs:
    """What tells a sound count from a doubtful one.

    Attributes:
        gap: log evidence over the likeliest rival that is more than a fifth of a turn off.
        misfit: root mean square of the residual in standard deviations.
        jerk: mean square of the changes of log-speed in standard deviations, capped.
        swing: standard deviation of the readings in units of their own.
        lone: share of the profile's movement that is not its strongest order.
        total: turns.
        caged: a slow motion beside the turns was fitted, which part of a turn can be taken for as well.
    """

    gap: float
    misfit: float
    jerk: float
    swing: float
    lone: float
    total: float
    caged: bool = False


def signs_of(fits: list[Fit]) -> Signs:
    """Signs of the first of `fits` against the others."""
    best = fits[0]
    rivals = [score(one) for one in fits[1:] if abs(one.total - best.total) > _APART]
    sigma = best.problem.sigma_um
    size = waves(best)
    return Signs(
        gap=min(score(best) - max(rivals), 300.0) if rivals else _NO_RIVAL,
        misfit=float(np.sqrt(np.mean(np.minimum((best.residual_um / sigma) ** 2, 25.0)))),
        jerk=float(np.mean(np.minimum(speed_changes(best) ** 2, 9.0))),
        swing=float(np.std(best.problem.reading_um) / np.mean(sigma)),
        lone=float(1.0 - size.max() / max(size.sum(), 1e-9)),
        total=best.total,
        caged=bool(best.problem.cage),
    )


# Logistic regression on traces with a known count (gentle to hard hands, steps of 1 to 12.7 um, worn
# bearings, bumps, less than two turns), none of them made by the tests.
_BASE = 3.8
_PER_LOG_GAP = 1.8
_PER_LOG_JERK = -0.55
_PER_LOG_SWING = 1.1
_SHORT = -4.0
_LIKE_A_HALF = -2.0
_LARGEST = 0.995
# Little more than a turn, seen again in part, may be chance or half of what was turned.
_FEWEST_TURNS = 1.9
# Beside a slow motion part of a turn may be laid over two: the motion follows what the turns do not.
_CAGE_TELLS = 2.8
_TOO_SHORT = 0.5


def confidence_of(signs: Signs, *, taps: int = 0) -> float:
    """Probability that the count is right within a quarter turn.

    Args:
        signs: of the fits.
        taps: passings of the index mark that were tapped; they settle what halves and doubles leave open.
    """
    weight = (
        _BASE
        + _PER_LOG_GAP * (np.log1p(max(signs.gap, 0.0)) - 3.0)
        + _PER_LOG_JERK * np.log(np.clip(signs.jerk, 0.01, 9.0))
        + _PER_LOG_SWING * (np.log(np.clip(signs.swing, 0.5, 100.0)) - 2.5)
        + _SHORT * max(0.0, 2.0 - signs.total)
        + (_LIKE_A_HALF if 1.7 < signs.total < 3.0 and taps < 2 else 0.0)
        - 2.0 * max(0.0, float(np.log(signs.misfit / 1.2)))
        + (1.5 if taps >= 3 else 0.0)
    )
    short = signs.total < (_CAGE_TELLS if signs.caged else _FEWEST_TURNS)
    largest = _TOO_SHORT if short and taps < 3 else _LARGEST
    return float(min(1.0 / (1.0 + np.exp(-weight)), largest))
