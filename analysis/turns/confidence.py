"""How sure a count of turns is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.trace import FloatArray
from analysis.turns.state_fit import Fit, speed_changes, waves

_APART = 0.2


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
    """

    gap: float
    misfit: float
    jerk: float
    swing: float
    lone: float
    total: float

    def as_row(self) -> FloatArray:
        """The signs as the numbers that the calibration weighs."""
        return np.array(
            [
                np.log1p(max(self.gap, 0.0)),
                np.log(max(self.misfit, 0.2)),
                np.log(max(self.jerk, 0.01)),
                np.log(max(self.swing, 0.5)),
                self.lone,
                np.log(max(self.total, 0.5)),
            ]
        )


def signs_of(fits: list[Fit]) -> Signs:
    """Signs of the first of `fits` against the others."""
    best = fits[0]
    rivals = [one.evidence for one in fits[1:] if abs(one.total - best.total) > _APART]
    sigma = best.problem.sigma_um
    size = waves(best)
    return Signs(
        gap=min(best.evidence - max(rivals), 300.0) if rivals else 300.0,
        misfit=float(np.sqrt(np.mean(np.minimum((best.residual_um / sigma) ** 2, 25.0)))),
        jerk=float(np.mean(np.minimum(speed_changes(best) ** 2, 9.0))),
        swing=float(np.std(best.problem.reading_um) / np.mean(sigma)),
        lone=float(1.0 - size.max() / max(size.sum(), 1e-9)),
        total=best.total,
    )
