"""The joint fit of the hub's position at every reading and of the flange's profile.

Gauss-Newton: the positions' part of the Hessian is banded, the profile's part is small and dense, so one
step costs O(readings).

The evidence (Laplace's approximation, D. MacKay, "Bayesian interpolation", Neural Computation 4, 1992)
compares answers with different counts: a finer profile or a busier hand pays for itself or loses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dpbtrf, dpotrf, dpotrs, dtbtrs

from analysis.trace import FloatArray
from analysis.turns.state_model import READING_NU, TAU, Model, Problem, System, system_at
from analysis.wanted import go_on_if_wanted

_WORTH_A_STEP = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """One answer: positions in turns, coefficients, residuals in um, and log evidence."""

    turns: FloatArray
    coefficients: FloatArray
    residual_um: FloatArray
    objective: float
    evidence: float
    problem: Problem

    @property
    def total(self) -> float:
        """Turns from the first reading to the last."""
        return float(self.turns[-1] - self.turns[0])


def _solve(system: System, damping: float) -> tuple[FloatArray, FloatArray, float]:
    """Step in positions, step in coefficients, half the log-determinant of the whole Hessian.

    The determinant is infinite where rounding has made the Hessian indefinite: such a step is not taken.
    """
    band = np.array(system.band, order="F")
    band[0] *= 1.0 + damping
    band[0, 0] += 1e8
    factor, bad = dpbtrf(band, lower=1, overwrite_ab=1)
    if bad:
        return np.zeros_like(system.gradient), np.zeros_like(system.gradient_a), np.inf
    # With the band's factor L only inverse(L) times each column is needed, but for the step itself.
    both = np.empty((system.gradient_a.size + 1, system.gradient.size))
    both[0], both[1:] = system.gradient, system.cross
    part = dtbtrs(factor, both.T, uplo="L", overwrite_b=1)[0].T
    across = part[1:]
    schur = system.dense - across @ across.T  # of a matrix and itself, which costs half
    schur.flat[:: schur.shape[0] + 1] += 1e-9 * system.dense.diagonal()
    small, bad = dpotrf(schur, lower=1)
    if bad:
        return np.zeros_like(system.gradient), np.zeros_like(system.gradient_a), np.inf
    step_a, _ = dpotrs(small, system.gradient_a - across @ part[0], lower=1)
    step, _ = dtbtrs(factor, part[0] - step_a @ across, uplo="L", trans="T")
    half = float(np.log(factor[0, 1:]).sum() + np.log(small.diagonal()).sum())
    return step, step_a, half


def _best_coefficients(
    model: Model, turns: FloatArray, designs: list[FloatArray], rounds: int = 3
) -> FloatArray:
    """Coefficients at given positions and their `designs` (robust weights, a few rounds)."""
    a = np.zeros(model.size)
    for count in range(rounds):
        dense = np.diag((model.prior.precision(a) if count else model.prior.narrow) + 1e-12)
        right = np.zeros(model.size)
        for row, design in enumerate(designs):
            w = model.inverse_variance[row]
            if count:
                r = model.reading[row] - a @ design
                w = w * (READING_NU + 1) / (READING_NU + r**2 * w)
            root = np.sqrt(w)
            wd = design * root
            dense += wd @ wd.T
            right += wd @ (root * model.reading[row])
        a = np.asarray(np.linalg.solve(dense, right))
    if model.theta is not None:
        past = turns[model.problem.mark_at]
        a[model.theta] = float(np.angle(np.exp(1j * TAU * past).sum()) / TAU) if past.size else 0.0
    return a


def fit(
    problem: Problem,
    turns: FloatArray,
    *,
    rounds: int = 12,
    tolerance: float = 0.1,
    weighed: bool = True,
    rival: float = -np.inf,
) -> Fit:
    """The best positions and profile near the guess `turns`.

    Args:
        problem: what is fitted.
        turns: (n,) guess of the positions, growing, in turns.
        rounds: most Gauss-Newton steps.
        tolerance: stop when a step gains less than this in the log posterior.
        weighed: work out the evidence; nan else.
        rival: log evidence of another answer: far behind it a step must gain a share of the gap.

    Raises:
        NotWantedError: whoever asked for the search waits for it no longer.
    """
    go_on_if_wanted()
    turns = turns - turns[0]
    model = Model(problem, max(float(turns[-1]), 0.3))
    designs = model.designs(turns)
    a = _best_coefficients(model, turns, designs)
    objective = model.objective(turns, a, designs)
    damping = 1e-3
    system = system_at(model, turns, a, designs)
    for _ in range(rounds):
        gained = behind = 0.0
        for _ in range(5):
            step, step_a, half = _solve(system, damping)
            new, new_a = turns + step, a + step_a
            designs = model.designs(new)
            value = model.objective(new, new_a, designs) if np.isfinite(half) else np.inf
            if np.isfinite(value) and value < objective:
                gained = objective - value
                behind = rival - (system.log_jacobian - half - value + model.prior.log_at_zero)
                turns, a, objective = new, new_a, value
                damping = max(damping * 0.1, 1e-6)
                system = system_at(model, turns, a, designs)
                break
            damping = max(damping * 10.0, 1e-3)
        if gained < max(tolerance, _WORTH_A_STEP * behind):
            break
    half = _solve(system, 0.0)[2] if weighed else np.nan
    # Density in the log-speeds, not in the positions: comparable between counts of turns.
    evidence = -objective - (half - system.log_jacobian) + model.prior.log_at_zero
    return Fit(turns - turns[0], a, system.residual, objective, evidence, problem)


def fit_at(problem: Problem, turns: FloatArray) -> Fit:
    """The profile and the rest of the model at known positions."""
    turns = turns - turns[0]
    model = Model(problem, max(float(turns[-1]), 0.3))
    designs = model.designs(turns)
    a = _best_coefficients(model, turns, designs)
    residual = problem.reading_um - a @ designs[0]
    return Fit(turns, a, residual, 0.0, 0.0, problem)
