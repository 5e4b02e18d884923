"""Least-squares circles against published and certified ones.

Sources: least_squares_circle.csv and least_squares_circle_results.json (SciPy Cookbook, "Least squares
circle", confirmed; Gander, Golub and Strebel, BIT 34 (1994), from memory and recomputed; peak to valley is
recomputed, not published). NIST's algorithm-testing point sets with their certified circles are read where
they lie beside the checkout.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from analysis.circles import algebraic_circle, fit_circle, radial_reference
from analysis.trace import FloatArray

HERE = Path(__file__).parent
PUBLISHED = json.loads((HERE / "least_squares_circle_results.json").read_text(encoding="utf-8"))["sets"]
COOKBOOK = ("scipy_full", "scipy_arc")


def points(name: str) -> tuple[FloatArray, FloatArray]:
    with (HERE / "least_squares_circle.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    chosen = [(float(row["x"]), float(row["y"])) for row in rows if row["set"] == name]
    x, y = np.array(chosen).T
    return x, y


def squares_about(x: FloatArray, y: FloatArray, centre: tuple[float, float]) -> float:
    distance = np.hypot(x - centre[0], y - centre[1])
    return float(((distance - distance.mean()) ** 2).sum())


@pytest.mark.parametrize(("name", "digits"), [("scipy_full", 6e-6), ("scipy_arc", 5e-5)])
def test_geometric_circle_of_the_cookbook(name: str, digits: float) -> None:
    """As printed: five decimals of centre and radius, six of the sum of squares.

    On the arc the printed centre (9.88760, 3.68753) is where the cookbook's solver stopped, 5e-5 short of
    the minimum along a flat valley: there our sum of squares must be the smaller one.
    """
    x, y = points(name)
    printed = PUBLISHED[name]["geometric"]
    found = fit_circle(x, y)
    assert [found.x, found.y, found.radius] == pytest.approx(
        [printed["xc"], printed["yc"], printed["r"]], abs=digits
    )
    assert found.residual_sum_of_squares == pytest.approx(printed["sum_sq_residual"], abs=6e-7)
    assert found.residual_sum_of_squares < squares_about(x, y, (printed["xc"], printed["yc"]))
    assert found.out_of_round == pytest.approx(
        PUBLISHED[name]["roundness_peak_to_valley_recomputed"], abs=1e-4
    )


@pytest.mark.parametrize("name", [*COOKBOOK, "gander"])
def test_geometric_circle_is_a_minimum(name: str) -> None:
    """Any step away from the centre, in eight directions, makes the sum of squares larger."""
    x, y = points(name)
    found = fit_circle(x, y)
    for turn in range(8):
        aside = (found.x + 1e-4 * math.cos(turn * math.pi / 4), found.y + 1e-4 * math.sin(turn * math.pi / 4))
        assert squares_about(x, y, aside) > found.residual_sum_of_squares


@pytest.mark.parametrize("name", COOKBOOK)
def test_algebraic_circle_of_the_cookbook(name: str) -> None:
    """On the arc it is far from the geometric one, which the printed figures show too."""
    printed = PUBLISHED[name]["algebraic"]
    found = algebraic_circle(*points(name))
    assert found.x == pytest.approx(printed["xc"], abs=6e-6)
    assert found.y == pytest.approx(printed["yc"], abs=6e-6)
    assert found.radius == pytest.approx(printed["r_mean_distance"], abs=6e-6)
    assert found.residual_sum_of_squares == pytest.approx(printed["sum_sq_residual"], abs=6e-7)


def test_geometric_circle_of_six_points() -> None:
    """Gander, Golub and Strebel 1994: four decimals (from memory, recomputed)."""
    printed = PUBLISHED["gander"]["geometric"]
    found = fit_circle(*points("gander"))
    assert [found.x, found.y, found.radius] == pytest.approx(
        [printed["xc"], printed["yc"], printed["r"]], abs=6e-5
    )


@pytest.mark.parametrize("number", range(1, 31))
def test_certified_circles(datasets: Path, number: int) -> None:
    """3 to 500 points on arcs of 90 to 360 degrees; centre and radius to 1e-9 of the radius."""
    folder = datasets / "nist_circle2d"
    if not folder.is_dir():
        pytest.skip("the certified circles are not beside this checkout")
    lines = (folder / f"cir2d{number}.ds").read_text(encoding="ascii").split()
    measured = np.array(lines[1:], np.float64).reshape(int(lines[0]), 3)
    answer = np.array((folder / f"cir2d{number}.fit").read_text(encoding="ascii").split(), np.float64)
    first, second = np.flatnonzero(np.abs(answer[3:6]) < 0.5)
    found = fit_circle(measured[:, first], measured[:, second])
    radius = answer[6] / 2
    assert found.radius == pytest.approx(radius, rel=1e-9)
    assert found.x == pytest.approx(answer[first], abs=1e-9 * radius)
    assert found.y == pytest.approx(answer[second], abs=1e-9 * radius)


def test_radial_trace_of_a_true_circle_off_its_axis() -> None:
    """A circle of radius R turned e off its axis reads e cos + sqrt(R^2 - e^2 sin^2): closed form.

    The least-squares circle of the trace (NIST e-Handbook, mpc344) finds e, and calls e^2/(2R) out of
    round, peak to valley, which is the price of the formula.
    """
    radius_um, off_um = 60_000.0, 150.0
    angle = 2 * np.pi * np.arange(720) / 720
    trace = off_um * np.cos(angle - 1.0) + np.sqrt(radius_um**2 - (off_um * np.sin(angle - 1.0)) ** 2)
    eccentricity, out_of_round = radial_reference(trace)
    assert eccentricity == pytest.approx(off_um, rel=1e-9)
    assert out_of_round == pytest.approx(off_um**2 / (2 * radius_um), rel=1e-3)


def test_radial_trace_and_points_agree() -> None:
    """Second opinion: the circle fitted to the points of the same trace."""
    angle = 2 * np.pi * np.arange(360) / 360
    trace = 60_000.0 + 15 * np.cos(angle) + 4 * np.cos(3 * angle + 0.4) + np.cos(7 * angle)
    circle = fit_circle(trace * np.cos(angle), trace * np.sin(angle))
    eccentricity, out_of_round = radial_reference(trace)
    assert eccentricity == pytest.approx(math.hypot(circle.x, circle.y), abs=0.005)
    assert out_of_round == pytest.approx(circle.out_of_round, abs=0.005)


def test_points_that_make_no_circle_are_refused() -> None:
    with pytest.raises(ValueError, match="three"):
        fit_circle(np.array([0.0, 1.0]), np.array([0.0, 1.0]))
    with pytest.raises(ValueError, match="line"):
        fit_circle(np.arange(5.0), 2 * np.arange(5.0))
