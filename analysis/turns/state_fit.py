"""The joint fit of the hub's position at every reading and of the flange's profile.

The position (turns) is a state per reading; the readings are a linear model in the profile's
coefficients given the position. The speed is held by a prior on the change of its logarithm from one
reading to the next (softened near standstill, so that rests and a step back are allowed; heavy-tailed,
so that they may be sudden). The logarithm, never the speed itself: a penalty on the speed would favour
fewer turns. Gauss-Newton: the positions' part of the Hessian is banded, the profile's part is small
and dense, so one step costs O(readings).

The evidence (Laplace's approximation, D. MacKay, "Bayesian interpolation", Neural Computation 4, 1992)
compares answers with different counts: a finer profile or a busier hand pays for itself or loses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dpbtrf, dpbtrs, dpotrf, dpotrs, dtbtrs

from analysis.trace import FloatArray, IntArray
from analysis.turns.profile_prior import Prior, order_scales_um

TAU = 2.0 * np.pi
USUAL_TURNS = 3.5
FIXED = 4
"""Columns of every fit before any extra ones: level, drift, its curvature, and the change of that."""


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What is fitted.

    Attributes:
        time_s: (n,) strictly growing.
        reading_um: (n,) readings; `sigma_um` (n,) their standard deviations.
        orders: harmonics of the profile, 1 to `orders`.
        extra: (n, k) further columns with a known shape (steps of the holder …), free in size.
        second_um: (n,) second indicator on the same face, NaN where it gave none, or None.
        second_turns: angle from the first indicator to the second, in turns.
        mark_at: indices of readings in which the mark passed; `mark_sd_s` their standard deviation in s.
        restless: standard deviation of the change of log-speed over one turn's time.
        cage: frequencies, per turn, of slow motion that does not repeat every turn (a worn bearing's
            cage goes round 0.40 to 0.46 times a turn); empty for none.
        usual_turns: how many turns are expected, a weak prior for `search.score`.
    """

    time_s: FloatArray
    reading_um: FloatArray
    sigma_um: FloatArray
    orders: int = 8
    extra: FloatArray | None = None
    second_um: FloatArray | None = None
    second_turns: float = 0.0
    mark_at: IntArray | None = None
    mark_sd_s: float = 0.08
    restless: float = 1.5
    cage: tuple[float, ...] = ()
    usual_turns: float = USUAL_TURNS


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


_SPEED_NU = 4.0
_READING_NU = 6.0
_SOFT = 0.25
_CAGE_UM = 3.0


class _Model:
    """The problem with everything that stays fixed worked out once."""

    def __init__(self, problem: Problem, total: float) -> None:
        self.problem = problem
        self.n = problem.time_s.size
        span = float(problem.time_s[-1] - problem.time_s[0])
        self.dt = np.diff(problem.time_s)
        mean_speed = total / span
        self.soft = 2.0 * _SOFT * mean_speed
        turn_s = span / 3.5  # the same for every count of turns, or the evidence would favour one
        gap = 0.5 * (self.dt[1:] + self.dt[:-1])
        self.step_sd = problem.restless * np.sqrt(gap / turn_s)
        part = np.linspace(-1.0, 1.0, self.n)
        two = problem.second_um is not None
        self.rows = 2 if two else 1
        fixed = [np.ones(self.n), part, part**2 - 1.0 / 3.0, part**3 - 0.6 * part]
        spread = float(np.ptp(problem.reading_um)) + 1e-9
        prior = [1e3 * spread + 1e3, 10.0, 6.0, 1.5]
        if problem.extra is not None:
            fixed += list(problem.extra.T)
            prior += [1e3 * spread + 1e3] * problem.extra.shape[1]
        self.own = len(fixed)
        self.fixed = np.vstack(fixed)
        if two:
            prior += prior[: self.own]
        self.first = self.rows * self.own
        k = np.arange(1, problem.orders + 1)
        prior += list(np.repeat(order_scales_um(problem.orders, spread), 2))
        self.k = k
        self.cage = len(prior)
        prior += [_CAGE_UM] * (2 * len(problem.cage))
        self.theta = len(prior) if problem.mark_at is not None else None
        if problem.mark_at is not None:
            prior += [1.0]
        self.prior = Prior(np.asarray(prior) ** -2.0, self.first, problem.orders)
        self.size = len(prior)
        self.mark_sd = problem.mark_sd_s * mean_speed
        if two:
            assert problem.second_um is not None
            ok = np.isfinite(problem.second_um)
            self.reading = [problem.reading_um, np.where(ok, problem.second_um, 0.0)]
            self.inverse_variance = [problem.sigma_um**-2.0, np.where(ok, problem.sigma_um**-2.0, 0.0)]
        else:
            self.reading = [problem.reading_um]
            self.inverse_variance = [problem.sigma_um**-2.0]

    def columns(self, turns: FloatArray, row: int) -> FloatArray:
        """(size, n) design of one indicator, transposed: what a coefficient adds lies side by side."""
        problem = self.problem
        shift = problem.second_turns if row else 0.0
        design = np.zeros((self.size, self.n))
        design[row * self.own : (row + 1) * self.own] = self.fixed
        z = np.exp(1j * TAU * (turns - shift))
        power = z
        for place in range(self.first, self.first + 2 * self.k.size, 2):
            design[place], design[place + 1] = power.real, power.imag
            power = power * z
        for place, per_turn in enumerate(problem.cage):
            f, at = TAU * per_turn, self.cage + 2 * place
            design[at], design[at + 1] = np.cos(f * turns), np.sin(f * turns)
        return design

    def slopes(self, coefficients: FloatArray) -> FloatArray:
        """(size,) coefficients that give, with the same columns, the derivative by the position in turns."""
        turned = np.zeros(self.size)
        waves = ((self.first, TAU * self.k), (self.cage, TAU * np.array(self.problem.cage)))
        for first, speed in waves:
            last = first + 2 * speed.size
            turned[first:last:2] = speed * coefficients[first + 1 : last : 2]
            turned[first + 1 : last : 2] = -speed * coefficients[first:last:2]
        return turned

    def logs(self, turns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Derivative of the softened log-speed by the speed, and its changes in standard deviations."""
        speed = (turns[1:] - turns[:-1]) / self.dt
        value = np.arcsinh(speed / self.soft)
        by_speed = 1.0 / np.sqrt(speed**2 + self.soft**2)
        return by_speed, (value[1:] - value[:-1]) / self.step_sd

    def marks(self, turns: FloatArray, theta: float) -> FloatArray:
        """Mark residuals in turns: position less the nearest whole turn past the mark's place."""
        assert self.problem.mark_at is not None
        past = turns[self.problem.mark_at] - theta
        return past - np.round(past)

    def designs(self, turns: FloatArray) -> list[FloatArray]:
        """`columns` of each indicator."""
        return [self.columns(turns, row) for row in range(self.rows)]

    def objective(self, turns: FloatArray, coefficients: FloatArray, designs: list[FloatArray]) -> float:
        """Minus log posterior, but for constants."""
        _, change = self.logs(turns)
        total = 0.5 * (_SPEED_NU + 1) * float(np.log1p(change**2 / _SPEED_NU).sum())
        for row, design in enumerate(designs):
            r2 = (self.reading[row] - coefficients @ design) ** 2 * self.inverse_variance[row]
            total += 0.5 * (_READING_NU + 1) * float(np.log1p(r2 / _READING_NU).sum())
        if self.theta is not None:
            m2 = (self.marks(turns, float(coefficients[self.theta])) / self.mark_sd) ** 2
            total += 2.5 * float(np.log1p(m2 / 4.0).sum())
        return total + self.prior.loss(coefficients)


@dataclass(slots=True, eq=False)
class _System:
    """Gradient and Hessian of the objective: positions (banded), coefficients (dense), and across."""

    band: FloatArray
    gradient: FloatArray
    cross: FloatArray
    dense: FloatArray
    gradient_a: FloatArray
    log_jacobian: float
    residual: FloatArray


def _system(model: _Model, turns: FloatArray, a: FloatArray, designs: list[FloatArray]) -> _System:
    n = model.n
    by_speed, change = model.logs(turns)
    weight = (_SPEED_NU + 1) / (_SPEED_NU + change**2)
    g = by_speed / model.dt
    d0, d2 = g[:-1] / model.step_sd, g[1:] / model.step_sd
    d1 = -(d0 + d2)
    band = np.zeros((3, n))
    band[0, :-2] += weight * d0 * d0
    band[0, 1:-1] += weight * d1 * d1
    band[0, 2:] += weight * d2 * d2
    band[1, :-2] += weight * d0 * d1
    band[1, 1:-1] += weight * d1 * d2
    band[2, :-2] += weight * d0 * d2
    gradient = np.zeros(n)
    pull = weight * change
    gradient[:-2] -= pull * d0
    gradient[1:-1] -= pull * d1
    gradient[2:] -= pull * d2
    cross = np.zeros((model.size, n))
    precision = model.prior.precision(a)
    dense = np.diag(precision)
    gradient_a = -precision * a
    residual = np.empty(0)
    ahead = np.stack([a, model.slopes(a)])
    for row, design in enumerate(designs):
        fitted, s = ahead @ design
        r = model.reading[row] - fitted
        w = model.inverse_variance[row]
        w = w * (_READING_NU + 1) / (_READING_NU + r**2 * w)
        ws = w * s
        band[0] += ws * s
        gradient += ws * r
        wd = design * w
        dense += wd @ design.T
        gradient_a += wd @ r
        wd *= s
        cross += wd
        if row == 0:
            residual = r
    if model.theta is not None:
        at = model.problem.mark_at
        assert at is not None
        m = model.marks(turns, float(a[model.theta]))
        w = 5.0 / (4.0 + (m / model.mark_sd) ** 2) / model.mark_sd**2
        np.add.at(band[0], at, w)
        np.add.at(gradient, at, -w * m)
        np.add.at(cross[model.theta], at, -w)
        dense[model.theta, model.theta] += w.sum()
        gradient_a[model.theta] += (w * m).sum()
    log_jacobian = float(np.log(g).sum())
    return _System(band, gradient, cross, dense, gradient_a, log_jacobian, residual)


def _solve(system: _System, damping: float) -> tuple[FloatArray, FloatArray, float]:
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
    product = part[1:] @ part.T
    schur = system.dense - product[:, 1:]
    schur.flat[:: schur.shape[0] + 1] += 1e-9 * system.dense.diagonal()
    small, bad = dpotrf(schur, lower=1)
    if bad:
        return np.zeros_like(system.gradient), np.zeros_like(system.gradient_a), np.inf
    step_a, _ = dpotrs(small, system.gradient_a - product[:, 0], lower=1)
    step, _ = dtbtrs(factor, part[0] - step_a @ part[1:], uplo="L", trans="T")
    half = float(np.log(factor[0, 1:]).sum() + np.log(small.diagonal()).sum())
    return step, step_a, half


def _best_coefficients(model: _Model, turns: FloatArray, rounds: int = 3) -> FloatArray:
    """Coefficients at given positions (robust weights, a few rounds)."""
    a = np.zeros(model.size)
    parts = model.designs(turns)
    for count in range(rounds):
        dense = np.diag(model.prior.precision(a) if count else model.prior.narrow)
        right = np.zeros(model.size)
        for row, design in enumerate(parts):
            r = model.reading[row] - a @ design
            w = model.inverse_variance[row]
            if count:
                w = w * (_READING_NU + 1) / (_READING_NU + r**2 * w)
            wd = design * w
            dense += wd @ design.T
            right += wd @ model.reading[row]
        a = np.asarray(np.linalg.solve(dense + 1e-12 * np.eye(model.size), right))
    if model.theta is not None:
        past = turns[model.problem.mark_at]
        a[model.theta] = float(np.angle(np.exp(1j * TAU * past).sum()) / TAU) if past.size else 0.0
    return a


def fit(problem: Problem, turns: FloatArray, *, rounds: int = 12, tolerance: float = 0.1) -> Fit:
    """The best positions and profile near the guess `turns`.

    Args:
        problem: what is fitted.
        turns: (n,) guess of the positions, growing, in turns.
        rounds: most Gauss-Newton steps.
        tolerance: stop when a step gains less than this in the log posterior.
    """
    turns = turns - turns[0]
    model = _Model(problem, max(float(turns[-1]), 0.3))
    a = _best_coefficients(model, turns)
    designs = model.designs(turns)
    objective = model.objective(turns, a, designs)
    damping = 1e-3
    system = _system(model, turns, a, designs)
    for _ in range(rounds):
        gained = 0.0
        for _ in range(5):
            step, step_a, half = _solve(system, damping)
            new, new_a = turns + step, a + step_a
            designs = model.designs(new)
            value = model.objective(new, new_a, designs) if np.isfinite(half) else np.inf
            if np.isfinite(value) and value < objective:
                gained = objective - value
                turns, a, objective = new, new_a, value
                damping = max(damping * 0.1, 1e-6)
                system = _system(model, turns, a, designs)
                break
            damping = max(damping * 10.0, 1e-3)
        if gained < tolerance:
            break
    _, _, half = _solve(system, 0.0)
    # Density in the log-speeds, not in the positions: comparable between counts of turns.
    evidence = -objective - (half - system.log_jacobian) + model.prior.log_at_zero
    return Fit(turns - turns[0], a, system.residual, objective, evidence, problem)


def fit_at(problem: Problem, turns: FloatArray) -> Fit:
    """The profile and the rest of the model at known positions."""
    turns = turns - turns[0]
    model = _Model(problem, max(float(turns[-1]), 0.3))
    a = _best_coefficients(model, turns)
    residual = problem.reading_um - a @ model.columns(turns, 0)
    return Fit(turns, a, residual, 0.0, 0.0, problem)


def coefficient_covariance(one: Fit) -> FloatArray:
    """Covariance of a fit's coefficients, the positions' own uncertainty included."""
    model = _Model(one.problem, max(one.total, 0.3))
    system = _system(model, one.turns, one.coefficients, model.designs(one.turns))
    band = system.band.copy()
    band[0, 0] += 1e8
    factor, _ = dpbtrf(band, lower=1)
    part, _ = dtbtrs(factor, system.cross.T, uplo="L")
    schur = system.dense - part.T @ part
    return np.asarray(np.linalg.pinv(schur, hermitian=True), np.float64)


def coefficient_standards(one: Fit) -> FloatArray:
    """Their standard uncertainties."""
    return np.asarray(np.sqrt(np.maximum(np.diag(coefficient_covariance(one)), 0.0)))


def position_draws(one: Fit, count: int) -> FloatArray:
    """(count, n) departures from the fitted positions, in turns, drawn from their posterior.

    The Hessian is the banded one of the positions plus a small dense part: a draw needs one banded solve
    and one small one. The seed is fixed, so that the same trace gives the same uncertainty.
    """
    model = _Model(one.problem, max(one.total, 0.3))
    system = _system(model, one.turns, one.coefficients, model.designs(one.turns))
    band = system.band.copy()
    band[0, 0] += 1e8
    factor, _ = dpbtrf(band, lower=1)
    rng = np.random.default_rng(20)
    # Given the coefficients the positions scatter as inverse(L') z; the coefficients as inverse(C') w.
    loose = dtbtrs(factor, rng.normal(size=(model.n, count)), uplo="L", trans="T")[0]
    solved, _ = dpbtrs(factor, system.cross.T, lower=1)
    schur = system.dense - system.cross @ solved
    values, vectors = np.linalg.eigh(schur)
    # The symmetric root: the signs of eigenvectors are the linear algebra library's choice.
    root = vectors / np.sqrt(np.maximum(values, 1e-12 * values[-1])) @ vectors.T
    drawn = root @ rng.normal(size=(model.size, count))
    return np.asarray((loose - solved @ drawn).T)


def speed_changes(one: Fit) -> FloatArray:
    """(n - 2,) changes of log-speed, in their prior standard deviations."""
    return _Model(one.problem, max(one.total, 0.3)).logs(one.turns)[1]


def waves(one: Fit) -> FloatArray:
    """(orders,) amplitudes of the profile, um."""
    model = _Model(one.problem, max(one.total, 0.3))
    return np.abs(one.coefficients[model.first : model.first + 2 * model.k.size].reshape(-1, 2) @ [1.0, 1j])


def wave_standards(one: Fit, *, along: bool = False) -> FloatArray:
    """(orders,) standard uncertainties of `waves`, um: of either direction, or along each wave alone."""
    model = _Model(one.problem, max(one.total, 0.3))
    part = slice(model.first, model.first + 2 * model.k.size)
    blocks = coefficient_covariance(one)[part, part].reshape(model.k.size, 2, model.k.size, 2)
    if not along:
        return np.asarray(np.sqrt(np.maximum(0.5 * np.einsum("kaka->k", blocks), 0.0)), np.float64)
    unit = one.coefficients[part].reshape(-1, 2) / np.maximum(waves(one), 1e-12)[:, None]
    return np.asarray(np.sqrt(np.maximum(np.einsum("ka,kakb,kb->k", unit, blocks, unit), 0.0)), np.float64)


@dataclass(frozen=True, slots=True)
class SlowTerms:
    """Slow motion in a fit, um.

    Attributes:
        drift_um, drift_standard_um: from the first reading to the last.
        bow_um, bow_standard_um: departure from the chord half-way.
        cage_um: amplitude of the slow motion that does not repeat every turn; None when none was fitted.
    """

    drift_um: float
    drift_standard_um: float
    bow_um: float
    bow_standard_um: float
    cage_um: float | None


def slow_terms(one: Fit) -> SlowTerms:
    """The slow motion in a fit."""
    model = _Model(one.problem, max(one.total, 0.3))
    a, standards = one.coefficients, coefficient_standards(one)
    cage = None
    if one.problem.cage:
        last = model.cage + 2 * len(one.problem.cage)
        slow = a[model.cage : last] @ model.columns(one.turns, 0)[model.cage : last]
        cage = float(np.sqrt(2.0) * np.std(slow))
    return SlowTerms(2.0 * float(a[1]), 2.0 * float(standards[1]), -float(a[2]), float(standards[2]), cage)


def surface_part(one: Fit, angles: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The profile at `angles` (turns), and what the model puts into the first indicator besides it, um."""
    model = _Model(one.problem, max(one.total, 0.3))
    size = 2 * model.k.size
    wave = one.coefficients[model.first : model.first + size]
    phase = TAU * angles[:, None] * model.k
    profile = np.cos(phase) @ wave[0::2] + np.sin(phase) @ wave[1::2]
    design = model.columns(one.turns, 0)
    design[model.first : model.first + size] = 0.0
    return profile, one.coefficients @ design
