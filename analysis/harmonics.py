"""Harmonics of a turn: sines of known period, fitted by least squares.

Source of the uncertainty: for white noise of standard deviation s in n readings spread evenly over whole
turns the variance of the cosine and of the sine coefficient is 2 s^2/n, which is also the Cramér-Rao bound
(Rife and Boorstyn, IEEE Trans. Inf. Theory 20, 1974; from memory). Uneven angles, drift and other orders
make it larger; the full covariance of the fit is used here, never the short formula.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.trace import FloatArray


@dataclass(frozen=True, slots=True)
class Order:
    """One harmonic of the turn.

    Attributes:
        order: undulations per revolution.
        amplitude_um: half the swing of this order.
        standard_um: standard uncertainty of `amplitude_um`, angle uncertainty included.
        peak_deg: angle of the first maximum, 0 to 360/order.
        peak_standard_deg: its standard uncertainty, never above that of an angle about which nothing
            is known (360/order/sqrt(12)).
    """

    order: int
    amplitude_um: float
    standard_um: float
    peak_deg: float
    peak_standard_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class SineFit:
    """Least-squares fit of a mean and sines of given periods.

    Attributes:
        coefficients: mean, then cosine and sine of every period, in the unit of the readings.
        standard: standard deviations of the coefficients.
        residual_sum_of_squares: in the unit of the readings, squared.
    """

    coefficients: FloatArray
    standard: FloatArray
    residual_sum_of_squares: float


def harmonic_columns(angle_rad: FloatArray, highest: int) -> FloatArray:
    """Cosine and sine of every order 1 to `highest`: (n, 2*highest), order by order, cosine first.

    Built by repeated complex multiplication, which is several times faster than calling the sine for
    every order and loses less than 1e-13 over a hundred orders.
    """
    columns = np.empty((angle_rad.size, 2 * highest))
    turned = np.exp(1j * angle_rad)
    power = np.ones_like(turned)
    for order in range(highest):
        power = power * turned
        columns[:, 2 * order] = power.real
        columns[:, 2 * order + 1] = power.imag
    return columns


def fit_sines(position: FloatArray, value: FloatArray, periods: tuple[float, ...]) -> SineFit:
    """Fit a mean and a sine of each period to `value` by least squares.

    Args:
        position: (n,) angle or time, in the unit of the periods.
        value: (n,) readings.
        periods: known periods, none a multiple of what the readings can separate.

    Raises:
        ValueError: fewer readings than unknowns, or periods that the readings cannot tell apart.
    """
    columns = [np.ones(position.size)]
    for period in periods:
        angle = 2 * np.pi * position / period
        columns += [np.cos(angle), np.sin(angle)]
    design = np.column_stack(columns)
    if position.size <= design.shape[1]:
        raise ValueError(f"{position.size} readings cannot give {design.shape[1]} unknowns")
    coefficients, _, rank, _ = np.linalg.lstsq(design, value, rcond=None)
    if rank < design.shape[1]:
        raise ValueError("the readings cannot tell these periods apart")
    residual = value - design @ coefficients
    sum_of_squares = float(residual @ residual)
    variance = sum_of_squares / (position.size - design.shape[1])
    covariance = np.linalg.inv(design.T @ design) * variance
    return SineFit(np.asarray(coefficients, np.float64), np.sqrt(np.diag(covariance)), sum_of_squares)


def fit_orders(angle_deg: FloatArray, value: FloatArray, highest: int) -> SineFit:
    """Fit a mean and the orders 1 to `highest` of the turn by least squares; see `fit_sines`."""
    return fit_sines(angle_deg, value, tuple(360.0 / order for order in range(1, highest + 1)))


def order_from_pair(order: int, cosine: float, sine: float, covariance: FloatArray) -> Order:
    """Amplitude and peak of `cosine*cos(order*angle) + sine*sin(order*angle)` with their uncertainties.

    Args:
        order: undulations per revolution.
        cosine: cosine coefficient, um.
        sine: sine coefficient, um.
        covariance: (2, 2) of the pair, um squared.

    The covariance is projected along the pair (amplitude) and across it (angle). For an amplitude within
    its own noise the projection has no meaning; the mean of both directions is used then, and the
    uncertainty of the angle ends at that of an unknown angle.
    """
    amplitude = math.hypot(cosine, sine)
    mean_variance = float(np.trace(covariance)) / 2
    if amplitude <= 2 * math.sqrt(mean_variance):
        along = across = mean_variance
    else:
        unit = np.array([cosine, sine]) / amplitude
        normal = np.array([-unit[1], unit[0]])
        along = float(unit @ covariance @ unit)
        across = float(normal @ covariance @ normal)
    span_deg = 360.0 / order
    unknown_deg = span_deg / math.sqrt(12)
    across_deg = math.degrees(math.sqrt(across) / amplitude) / order if amplitude > 0 else unknown_deg
    peak_deg = math.degrees(math.atan2(sine, cosine)) / order % span_deg
    return Order(
        order=order,
        amplitude_um=amplitude,
        standard_um=math.sqrt(max(along, 0.0)),
        peak_deg=0.0 if peak_deg >= span_deg else peak_deg,
        peak_standard_deg=min(across_deg, unknown_deg),
    )
