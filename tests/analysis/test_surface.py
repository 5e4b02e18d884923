"""The model of the surface piece by piece, against SciPy and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import truncnorm

from analysis.draws import circular_standard_rad, root_of
from analysis.harmonics import fit_orders, fit_sines, harmonic_columns, order_from_pair
from analysis.surface import choose_shape, slow_seen
from analysis.surface_cells import cell_moments, noise_leaves_cells
from analysis.thinning import MOST_ROWS, thin


@pytest.mark.parametrize("noise", [0.02, 0.3, 2.0])
@pytest.mark.parametrize("away", [-30.0, -0.9, -0.2, 0.0, 0.4, 3.0, 25.0])
def test_noise_within_a_cell(away: float, noise: float) -> None:
    """Independent: the truncated normal distribution of SciPy."""
    low, high = (away - 0.5) / noise, (away + 0.5) / noise
    mean, variance = cell_moments(np.array([0.0]), np.array([away]), 0.5, np.array([noise]))
    if min(abs(low), abs(high)) > 30:  # beyond what SciPy's own variance resolves: the near edge
        assert mean[0] == pytest.approx(min(low, high, key=abs), rel=0.01)
        return
    expected_mean, expected_variance = truncnorm.stats(low, high, moments="mv")
    assert mean[0] == pytest.approx(float(expected_mean), rel=1e-6, abs=1e-9)
    assert variance[0] == pytest.approx(float(expected_variance), rel=1e-3, abs=2e-9)


def test_cells_are_used_where_noise_does_not_smear_them() -> None:
    assert noise_leaves_cells(math.hypot(0.5, 10 / math.sqrt(12)), 10.0)
    assert not noise_leaves_cells(math.hypot(0.5, 1 / math.sqrt(12)), 1.0)
    assert not noise_leaves_cells(0.5, 0.0)


def test_columns_are_cosines_and_sines() -> None:
    angle = np.random.default_rng(1).uniform(-50, 50, 40)
    columns = harmonic_columns(angle, 100)
    order = np.arange(1, 101)
    assert np.allclose(columns[:, 0::2], np.cos(np.outer(angle, order)), atol=1e-11)
    assert np.allclose(columns[:, 1::2], np.sin(np.outer(angle, order)), atol=1e-11)


def test_uncertainty_of_an_order_is_projected_on_it() -> None:
    covariance = np.array([[4.0, 0.0], [0.0, 1.0]])
    along = order_from_pair(2, 100.0, 0.0, covariance)
    assert (along.amplitude_um, along.standard_um) == (100.0, 2.0)
    assert along.peak_deg == 0.0
    assert along.peak_standard_deg == pytest.approx(math.degrees(1.0 / 100.0) / 2)
    across = order_from_pair(2, 0.0, -100.0, covariance)
    assert across.standard_um == pytest.approx(1.0)
    assert across.peak_deg == pytest.approx(135.0)
    lost = order_from_pair(3, 0.1, 0.0, covariance)
    assert lost.peak_standard_deg == pytest.approx(120 / math.sqrt(12))


def test_too_few_readings_for_the_unknowns() -> None:
    with pytest.raises(ValueError, match="cannot give"):
        fit_orders(np.arange(5.0), np.arange(5.0), 2)
    with pytest.raises(ValueError, match="tell these periods apart"):
        fit_sines(np.arange(20.0), np.arange(20.0), (7.0, 7.0))


def test_slow_movement_is_seen_where_it_is_and_not_in_noise() -> None:
    rng = np.random.default_rng(3)
    angle = np.linspace(0, 8 * np.pi, 500)
    shape = choose_shape(angle, angle, 40)
    ones = np.ones(500)
    seen = sum(slow_seen(shape, angle, rng.normal(0, 1, 500), ones, 1.0).size > 0 for _ in range(200))
    assert seen <= 12
    cage = np.cos(0.43 * angle) + rng.normal(0, 1, 500)
    found = slow_seen(shape, angle, cage, ones, 1.0)
    assert 0.3 <= found.min() <= 0.43 <= found.max() < 1


def test_thinning_keeps_means_and_squares() -> None:
    rng = np.random.default_rng(4)
    count = 3 * MOST_ROWS
    angle = np.sort(rng.uniform(0, 14 * np.pi, count))
    reading = 5 * np.cos(angle) + rng.normal(100, 1, count)
    rows = thin(angle, angle, reading)
    assert rows.weight is not None
    assert rows.weight.sum() == count
    assert rows.weight @ rows.reading_um == pytest.approx(reading.sum(), rel=1e-12)
    about = rows.within_square + float(rows.weight @ (rows.reading_um - reading.mean()) ** 2)
    assert about == pytest.approx(float(((reading - reading.mean()) ** 2).sum()), rel=1e-9)
    assert np.abs(rows.angle_rad - rows.time_s).max() < 1e-9  # each turn kept its own rows
    few = thin(angle[:100], angle[:100], reading[:100])
    assert few.weight is None


def test_spread_around_the_circle() -> None:
    near_zero = np.array([-0.1, 0.1] * 50) % (2 * np.pi)
    assert circular_standard_rad(near_zero) == pytest.approx(0.1, rel=0.01)
    everywhere = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    assert circular_standard_rad(everywhere) == pytest.approx(2 * np.pi / math.sqrt(12))


def test_a_covariance_that_rounding_spoilt_still_has_a_root() -> None:
    """Over one turn order 1 and a slow movement are all but one column: a trace gave such a covariance."""
    rng = np.random.default_rng(4)
    tall = rng.normal(size=(6, 2)) @ rng.normal(size=(2, 6))
    covariance = 4e4 * tall @ tall.T
    covariance[2, 4] += 1e-3  # not even, as an inverse in floating point is not
    root = root_of(covariance)
    assert np.abs(root @ root.T - covariance).max() < 1e-2 * np.abs(covariance).max()
