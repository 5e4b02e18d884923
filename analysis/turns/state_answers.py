"""What a fit of turns and profile says: its waves, its slow motion, and how sure it is of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dpbtrf, dpbtrs, dtbtrs

from analysis.trace import FloatArray
from analysis.turns.state_fit import Fit
from analysis.turns.state_model import TAU, Model, system_at


def coefficient_covariance(one: Fit) -> FloatArray:
    """Covariance of a fit's coefficients, the positions' own uncertainty included."""
    model = Model(one.problem, max(one.total, 0.3))
    system = system_at(model, one.turns, one.coefficients, model.designs(one.turns))
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
    model = Model(one.problem, max(one.total, 0.3))
    system = system_at(model, one.turns, one.coefficients, model.designs(one.turns))
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
    return Model(one.problem, max(one.total, 0.3)).logs(one.turns)[1]


def waves(one: Fit) -> FloatArray:
    """(orders,) amplitudes of the profile, um."""
    model = Model(one.problem, max(one.total, 0.3))
    return np.abs(one.coefficients[model.first : model.first + 2 * model.k.size].reshape(-1, 2) @ [1.0, 1j])


def wave_standards(one: Fit, *, along: bool = False) -> FloatArray:
    """(orders,) standard uncertainties of `waves`, um: of either direction, or along each wave alone."""
    model = Model(one.problem, max(one.total, 0.3))
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
    model = Model(one.problem, max(one.total, 0.3))
    a, standards = one.coefficients, coefficient_standards(one)
    cage = None
    if one.problem.cage:
        last = model.cage + 2 * len(one.problem.cage)
        slow = a[model.cage : last] @ model.columns(one.turns, 0)[model.cage : last]
        cage = float(np.sqrt(2.0) * np.std(slow))
    return SlowTerms(2.0 * float(a[1]), 2.0 * float(standards[1]), -float(a[2]), float(standards[2]), cage)


def surface_part(one: Fit, angles: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The profile at `angles` (turns), and what the model puts into the first indicator besides it, um."""
    model = Model(one.problem, max(one.total, 0.3))
    size = 2 * model.k.size
    wave = one.coefficients[model.first : model.first + size]
    phase = TAU * angles[:, None] * model.k
    profile = np.cos(phase) @ wave[0::2] + np.sin(phase) @ wave[1::2]
    design = model.columns(one.turns, 0)
    design[model.first : model.first + size] = 0.0
    return profile, one.coefficients @ design
