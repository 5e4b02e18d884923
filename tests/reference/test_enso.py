"""The least-squares fit of sines against a certified one: NIST StRD nonlinear regression, set ENSO.

Source of the data: nist_enso.csv and nist_enso_certified.json (confirmed: GNU Scientific Library test data).
With the two certified periods held fixed the model is linear, so the fit must return the other seven
certified parameters and the certified sum of squares.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit

from analysis.harmonics import SineFit, fit_orders, fit_sines
from analysis.trace import FloatArray

HERE = Path(__file__).parent
CERTIFIED = json.loads((HERE / "nist_enso_certified.json").read_text(encoding="utf-8"))
LINEAR = ("b1", "b2", "b3", "b5", "b6", "b8", "b9")
PERIODS = (12.0, CERTIFIED["parameters"]["b4"], CERTIFIED["parameters"]["b7"])


@pytest.fixture(scope="module")
def months() -> tuple[FloatArray, FloatArray]:
    with (HERE / "nist_enso.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return np.array([float(row["x"]) for row in rows]), np.array([float(row["y"]) for row in rows])


@pytest.fixture(scope="module")
def fit(months: tuple[FloatArray, FloatArray]) -> SineFit:
    return fit_sines(*months, PERIODS)


def test_parameters(fit: SineFit) -> None:
    """Eight digits: the periods are certified to nine or ten, and the fit leans on them."""
    certified = [CERTIFIED["parameters"][name] for name in LINEAR]
    assert list(fit.coefficients) == pytest.approx(certified, rel=1e-8)


def test_residual_sum_of_squares(fit: SineFit) -> None:
    assert CERTIFIED["residual_sum_of_squares"] == 788.53978668
    assert fit.residual_sum_of_squares == pytest.approx(788.53978668, rel=1e-10)


def test_standard_errors_by_another_library(fit: SineFit, months: tuple[FloatArray, FloatArray]) -> None:
    """Second opinion: scipy.optimize.curve_fit of the same linear model from zero."""

    def model(x: FloatArray, *b: float) -> FloatArray:
        angle = [2 * np.pi * x / period for period in PERIODS]
        waves = [b[1 + 2 * i] * np.cos(a) + b[2 + 2 * i] * np.sin(a) for i, a in enumerate(angle)]
        return np.asarray(b[0] + sum(waves), np.float64)

    _, covariance = curve_fit(model, *months, p0=np.zeros(7))
    assert list(fit.standard) == pytest.approx(list(np.sqrt(np.diag(covariance))), rel=1e-6)


def test_standard_errors_beside_the_certified_ones(fit: SineFit) -> None:
    """The certified errors are those of all nine parameters, so none may be smaller than ours.

    The yearly pair hardly leans on the two fitted periods: there both must agree within 1 %. Ours divide by
    168 - 7, the certified ones by 168 - 9.
    """
    ours = fit.standard * math.sqrt((168 - 7) / CERTIFIED["dof"])
    certified = np.array([CERTIFIED["standard_deviations"][name] for name in LINEAR])
    assert (ours < certified).all()
    assert list(ours[1:3]) == pytest.approx(list(certified[1:3]), rel=0.01)


def test_orders_of_an_even_turn_are_its_fourier_coefficients() -> None:
    """Second opinion: at even angles over one turn least squares and numpy.fft are the same sums."""
    reading = np.random.default_rng(3).normal(size=256)
    found = fit_orders(np.arange(256) * 360.0 / 256, reading, 15).coefficients
    spectrum = 2 * np.fft.rfft(reading)[1:16] / 256
    assert found[0] == pytest.approx(reading.mean(), abs=1e-13)
    assert list(found[1::2]) == pytest.approx(list(spectrum.real), abs=1e-13)
    assert list(found[2::2]) == pytest.approx(list(-spectrum.imag), abs=1e-13)


def test_periods_that_cannot_be_told_apart_are_refused(months: tuple[FloatArray, FloatArray]) -> None:
    with pytest.raises(ValueError, match="apart"):
        fit_sines(*months, (12.0, 12.0))
    with pytest.raises(ValueError, match="cannot give"):
        fit_sines(months[0][:7], months[1][:7], PERIODS)
