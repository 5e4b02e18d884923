"""The Gaussian roundness filter against its standard's transmission and two other ways to filter.

Sources: gaussian_transmission.csv and roundness_filter.json (ISO 16610-21: 50 % at the cut-off and width
of the weighting function confirmed, table values computed; ISO 12181-2: cut-offs and seven points an
undulation from memory).
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from analysis.roundness import allowed_cutoffs, gaussian_filter, gaussian_transmission
from analysis.trace import FloatArray

HERE = Path(__file__).parent
FILTER = json.loads((HERE / "roundness_filter.json").read_text(encoding="utf-8"))
with (HERE / "gaussian_transmission.csv").open(encoding="utf-8") as table:
    ROWS = list(csv.DictReader(line for line in table if not line.startswith("#")))


def bumpy(points: int) -> FloatArray:
    return np.random.default_rng(11).normal(scale=5.0, size=points)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["f_over_fc"])
def test_transmission_of_a_pure_harmonic(row: dict[str, str]) -> None:
    """At a cut-off of 60 UPR every row of the table falls on a whole order."""
    order = round(60 * float(row["f_over_fc"]))
    wave = np.cos(order * 2 * np.pi * np.arange(1440) / 1440 + 0.3)
    low = gaussian_filter(wave, 60)
    share = float(low @ wave / (wave @ wave))
    assert share == pytest.approx(float(row["lowpass_transmission"]), rel=1e-9)
    assert 1 - share == pytest.approx(float(row["highpass_transmission"]), rel=1e-9)
    assert low == pytest.approx(share * wave, abs=1e-12)


def test_half_goes_through_at_the_cutoff() -> None:
    assert gaussian_transmission(np.array([15.0]), 15)[0] == 0.5
    alpha = FILTER["alpha"]["value"]
    orders = np.arange(0.0, 100.0, 7.0)
    expected = np.exp(-np.pi * (alpha * orders / 50) ** 2)
    assert gaussian_transmission(orders, 50) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("cutoff", [15, 50, 150])
def test_same_as_a_smoothing_of_another_library(cutoff: int) -> None:
    """Second opinion: scipy.ndimage with the weighting function's width, around the closed turn."""
    profile = bumpy(3600)
    sigma = FILTER["sigma_over_lambda_c"] * profile.size / cutoff
    assert gaussian_filter(profile, cutoff) == pytest.approx(
        gaussian_filter1d(profile, sigma, mode="wrap", truncate=9.0), abs=1e-9
    )


def test_same_as_the_weighted_sum_of_the_standard() -> None:
    """s(x) = exp(-pi (x/(alpha lambda))^2)/(alpha lambda), summed around the turn, one cut-off each side.

    One cut-off wavelength is the standard's reference length, where the weight has fallen to 7e-7.
    """
    profile = bumpy(720)
    wavelength = profile.size / 15
    reach = np.arange(-int(wavelength), int(wavelength) + 1)
    weight = np.exp(-np.pi * (reach / (FILTER["alpha"]["value"] * wavelength)) ** 2)
    weight /= weight.sum()
    by_hand = sum(w * np.roll(profile, shift) for w, shift in zip(weight, reach, strict=True))
    assert gaussian_filter(profile, 15) == pytest.approx(np.asarray(by_hand), abs=2e-5)


def test_seven_points_an_undulation() -> None:
    """From memory (ISO 12181-2)."""
    assert allowed_cutoffs(7 * 50) == (15, 50)
    assert allowed_cutoffs(7 * 50 - 1) == (15,)
    assert allowed_cutoffs(20) == ()
    assert set(allowed_cutoffs(7 * 500)) <= set(FILTER["upr_cutoffs"]["values"])
    with pytest.raises(ValueError, match="too few"):
        gaussian_filter(bumpy(104), 15)
    with pytest.raises(ValueError, match="above zero"):
        gaussian_filter(bumpy(720), 0)
