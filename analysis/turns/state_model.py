"""What the joint fit of turns and profile minimises: a posterior of positions and profile, and its slopes.

The position (turns) is a state per reading; the readings are a linear model in the profile's
coefficients given the position. The speed is held by a prior on the change of its logarithm from one
reading to the next (softened near standstill, so that rests and a step back are allowed; heavy-tailed,
so that they may be sudden). The logarithm, never the speed itself: a penalty on the speed would favour
fewer turns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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


SPEED_NU = 4.0
READING_NU = 6.0
_SOFT = 0.25
_CAGE_UM = 3.0


class Model:
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
        total = 0.5 * (SPEED_NU + 1) * float(np.log1p(change**2 / SPEED_NU).sum())
        for row, design in enumerate(designs):
            r2 = (self.reading[row] - coefficients @ design) ** 2 * self.inverse_variance[row]
            total += 0.5 * (READING_NU + 1) * float(np.log1p(r2 / READING_NU).sum())
        if self.theta is not None:
            m2 = (self.marks(turns, float(coefficients[self.theta])) / self.mark_sd) ** 2
            total += 2.5 * float(np.log1p(m2 / 4.0).sum())
        return total + self.prior.loss(coefficients)


@dataclass(slots=True, eq=False)
class System:
    """Gradient and Hessian of the objective: positions (banded), coefficients (dense), and across."""

    band: FloatArray
    gradient: FloatArray
    cross: FloatArray
    dense: FloatArray
    gradient_a: FloatArray
    log_jacobian: float
    residual: FloatArray


def system_at(model: Model, turns: FloatArray, a: FloatArray, designs: list[FloatArray]) -> System:
    """The `System` at `turns` (n,) and coefficients `a` (size,); `designs` as `Model.designs(turns)`."""
    n = model.n
    by_speed, change = model.logs(turns)
    weight = (SPEED_NU + 1) / (SPEED_NU + change**2)
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
        w = w * (READING_NU + 1) / (READING_NU + r**2 * w)
        root = np.sqrt(w)
        steep, off = root * s, root * r
        band[0] += steep * steep
        gradient += steep * off
        wd = design * root
        dense += wd @ wd.T
        gradient_a += wd @ off
        wd *= steep
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
    return System(band, gradient, cross, dense, gradient_a, log_jacobian, residual)
