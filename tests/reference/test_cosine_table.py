"""The correction for a plunger or lever that stands askew, against a handbook's table.

Source of the data: cosine_correction.csv (public tables; they round 0.866 to 0.86 or 0.87).
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from analysis.uncertainty import plunger_angle, true_from_plunger_um
from analysis.values import Setup

with (Path(__file__).parent / "cosine_correction.csv").open(encoding="utf-8") as file:
    TABLE = list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row['angle_deg']} deg")
def test_correction_factor(row: dict[str, str]) -> None:
    found = true_from_plunger_um(1.0, float(row["angle_deg"]))
    assert found == pytest.approx(float(row["cos_exact"]), abs=1e-10)
    assert round(found, 2) == float(row["factor_rounded"])
    if row["factor_truncated_tables"]:
        assert abs(found - float(row["factor_truncated_tables"])) < 0.01


def test_worked_examples_of_the_tables() -> None:
    """0.004 in read at 60 degrees is 0.002 in of movement; 0.010 in is 0.005 in."""
    assert true_from_plunger_um(4 * 25.4, 60.0) == pytest.approx(2 * 25.4)
    assert true_from_plunger_um(10 * 25.4, 60.0) == pytest.approx(5 * 25.4)


@pytest.mark.parametrize(("angle_deg", "spread_deg"), [(0.0, 1.0), (10.0, 1.0), (20.0, 0.5)])
def test_uncertainty_of_the_angle_against_a_gauss_hermite_mean(angle_deg: float, spread_deg: float) -> None:
    """Root mean square of the error over a normal angle, integrated, against first and second order."""
    node, weight = np.polynomial.hermite_e.hermegauss(40)
    real = np.deg2rad(angle_deg + spread_deg * node)
    error = math.cos(math.radians(angle_deg)) / np.cos(real) - 1.0
    exact = math.sqrt(float(weight @ error**2 / weight.sum()))
    setup = Setup(plunger_angle_deg=angle_deg, plunger_angle_standard_deg=spread_deg)
    stated = plunger_angle(100.0, setup).standard_um / 100.0
    assert exact == pytest.approx(stated, rel=0.02)
