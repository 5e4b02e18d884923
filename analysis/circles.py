"""Least-squares circles: through points of a section, and through one turn of a radial trace."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from analysis.trace import FloatArray


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle in the unit of its points.

    Attributes:
        x: centre.
        y: centre.
        radius: its radius.
        residual_sum_of_squares: of the distances of the points from the circle.
        out_of_round: largest minus smallest distance from the centre (peak to valley about the
            least-squares circle, LSC).
    """

    x: float
    y: float
    radius: float
    residual_sum_of_squares: float
    out_of_round: float


def algebraic_circle(x: FloatArray, y: FloatArray) -> Circle:
    """The circle of smallest squared x^2 + y^2 + Dx + Ey + F; exact for exact points, biased on short arcs.

    The radius is the mean distance from the centre, as in the SciPy Cookbook's "Least squares circle".

    Raises:
        ValueError: fewer than three points, or all on a line.
    """
    if x.size < 3:
        raise ValueError("a circle needs three points")
    middle_x, middle_y = float(x.mean()), float(y.mean())
    u, v = x - middle_x, y - middle_y
    design = np.column_stack([2 * u, 2 * v, np.ones(u.size)])
    solution, _, rank, _ = np.linalg.lstsq(design, u**2 + v**2, rcond=None)
    if rank < 3:
        raise ValueError("the points lie on a line")
    return _circle(x, y, middle_x + float(solution[0]), middle_y + float(solution[1]))


def fit_circle(x: FloatArray, y: FloatArray) -> Circle:
    """The circle with the smallest sum of squared distances of the points from it.

    Gauss-Newton with trust region from the algebraic circle, in coordinates centred on the points and
    scaled to their size, so that nine digits survive points far from the origin.

    Raises:
        ValueError: fewer than three points, or all on a line.
    """
    start = algebraic_circle(x, y)
    middle_x, middle_y, size = float(x.mean()), float(y.mean()), max(start.radius, 1e-300)
    u, v = (x - middle_x) / size, (y - middle_y) / size

    def distances(centre: FloatArray) -> FloatArray:
        from_centre = np.hypot(u - centre[0], v - centre[1])
        return np.asarray(from_centre - from_centre.mean(), np.float64)

    def slopes(centre: FloatArray) -> FloatArray:
        from_centre = np.hypot(u - centre[0], v - centre[1])
        directions = np.column_stack([(centre[0] - u) / from_centre, (centre[1] - v) / from_centre])
        return np.asarray(directions - directions.mean(axis=0), np.float64)

    begin = np.array([(start.x - middle_x) / size, (start.y - middle_y) / size])
    found = least_squares(distances, begin, jac=slopes, xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    return _circle(x, y, middle_x + size * float(found[0]), middle_y + size * float(found[1]))


def _circle(x: FloatArray, y: FloatArray, centre_x: float, centre_y: float) -> Circle:
    from_centre = np.hypot(x - centre_x, y - centre_y)
    radius = float(from_centre.mean())
    residual = from_centre - radius
    return Circle(centre_x, centre_y, radius, float(residual @ residual), float(np.ptp(from_centre)))


def radial_reference(profile: FloatArray) -> tuple[float, float]:
    """Eccentricity and out-of-round of one turn of a radial trace, in its unit.

    The least-squares circle of a trace whose radius is large against the eccentricity e is its mean and
    first order (R = mean, a = 2/N sum r cos, b = 2/N sum r sin; NIST e-Handbook, section on roundness);
    the error is of the size e^2/(4R) at order 2: 0.001 um for 15 um at R = 60 mm.

    Args:
        profile: (m,) values at even angles over exactly one turn.
    """
    first = 2 * np.fft.rfft(profile)[1] / profile.size
    angle = 2 * np.pi * np.arange(profile.size) / profile.size
    left = profile - profile.mean() - first.real * np.cos(angle) + first.imag * np.sin(angle)
    return math.hypot(first.real, first.imag), float(np.ptp(left))
