"""Two indicators on one face: what the pair leaves unknown of the orders, against SciPy's Jacobian."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from analysis.trace import FloatArray
from analysis.turns.state_answers import wave_standards
from analysis.turns.state_fit import fit_at
from analysis.turns.state_model import Problem

APART = 0.27
NOISE_UM = 0.4
READ_AGAIN = 7.0 / 6.0  # weight of a reading without residual under Student's t with six degrees of freedom


def face(turned: FloatArray, wave: FloatArray) -> FloatArray:
    phase = 2 * np.pi * np.outer(turned, [1, 2, 3])
    return np.asarray(np.cos(phase) @ wave[0::2] + np.sin(phase) @ wave[1::2])


def test_amplitudes_are_as_sure_as_two_readings_at_an_unknown_angle_make_them() -> None:
    """Independent: all positions free, covariance from the Jacobian that SciPy takes by differences.

    The speed prior is as good as none, the priors of the coefficients are wide.
    """
    time_s = np.linspace(0.0, 12.0, 90)
    turned = 2.7 * time_s / 12.0 + 0.07 * np.sin(1.3 * time_s)
    wave = np.array([18.0, 9.0, -4.0, 7.0, 1.0, -2.0])
    one, two = face(turned, wave), face(turned - APART, wave)
    problem = Problem(
        time_s,
        one,
        np.full(90, NOISE_UM),
        orders=3,
        second_um=two,
        second_turns=APART,
        restless=1e4,
    )
    part = np.linspace(-1.0, 1.0, 90)
    slow = np.column_stack([np.ones(90), part, part**2, part**3])

    def missed(unknown: FloatArray) -> FloatArray:
        at, own, other, waves = np.split(unknown, [90, 94, 98])
        first = face(at, waves) + slow @ own - one
        second = face(at - APART, waves) + slow @ other - two
        return np.concatenate([first, second, 1e6 * (at[:1] - turned[0])]) / NOISE_UM

    truth = np.concatenate([turned, np.zeros(8), wave])
    jacobian = least_squares(missed, truth, jac="3-point", max_nfev=1).jac
    covariance = np.linalg.inv(jacobian.T @ jacobian)[98:, 98:] / READ_AGAIN
    pairs = wave.reshape(3, 2)
    along = pairs / np.hypot(pairs[:, 0], pairs[:, 1])[:, None]
    expected = [
        np.sqrt(u @ covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] @ u) for k, u in enumerate(along)
    ]
    found = wave_standards(fit_at(problem, turned), along=True)
    assert found == pytest.approx(expected, rel=0.03)
