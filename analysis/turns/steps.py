"""How large a sudden change of level was, from the whole trace rather than from the readings beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.trace import FloatArray
from analysis.turns.search import misfit, score, search
from analysis.turns.state_answers import coefficient_standards
from analysis.turns.state_fit import Fit, fit_at
from analysis.turns.state_model import FIXED, Problem
from analysis.turns.thinning import thinned

_LARGEST_MISFIT = 2.5
# Log evidence that a change of level must bring: the price of a free size is in it already.
_GAIN = 5.0


def fitted_steps(
    time_s: FloatArray,
    reading_um: FloatArray,
    noise_um: float,
    steps: Sequence[tuple[int, float, float]],
    angle_deg: FloatArray | None = None,
) -> list[tuple[float, float]]:
    """Sizes of level changes and their standard uncertainties, um.

    Args:
        time_s: (n,) s.
        reading_um: (n,) readings, the changes still in them.
        noise_um: noise of one reading.
        steps: index of the first reading after each change, its size as its neighbours suggest, and the
            standard uncertainty of that.
        angle_deg: (n,) hub angle where it was measured.

    The sizes are fitted together with the turns. Where that fit does not follow the readings, what the
    neighbours suggest is kept. Where the turns are found as well without any change, all sizes are 0.
    """
    beside = [(size, standard) for _, size, standard in steps]
    levelled = reading_um.copy()
    for after, size, _ in steps:
        levelled[after:] -= size
    edges = [after for after, _, _ in steps]
    time, reading, sigma = thinned(time_s, levelled, noise_um, edges)
    columns = np.column_stack([(time >= time_s[after]).astype(np.float64) for after in edges])
    problem = Problem(time, reading, sigma, extra=columns)
    if angle_deg is not None and np.isfinite(angle_deg).all():
        turns = np.interp(time, time_s, np.abs(angle_deg - angle_deg[0]) / 360.0)
        best: Fit | None = fit_at(replace(problem, orders=8), turns)
    else:
        best = next(iter(search(problem)), None)
    if best is None or misfit(best) > _LARGEST_MISFIT or best.total < 1.2:
        return beside
    if angle_deg is None and max(abs(size) for size, _ in beside) < np.ptp(levelled):
        # Not larger than the flange itself: a quick hand on a steep flange may look like it.
        plain = thinned(time_s, reading_um, noise_um, edges)
        without = next(iter(search(Problem(*plain))), None)
        if without is not None and score(without) > score(best) - _GAIN:
            return [(0.0, standard) for _, standard in beside]
    extra = slice(FIXED, FIXED + len(edges))
    more = best.coefficients[extra]
    standards = coefficient_standards(best)[extra]
    sizes = []
    for (size, standard), by, own in zip(beside, more.tolist(), standards.tolist(), strict=True):
        if own < standard:
            sizes.append((size + by, own))
        else:
            sizes.append((size, standard))
    return sizes
