"""The crossed study against the worked example of the AIAG manual.

Source: AIAG, Measurement Systems Analysis reference manual, 4th edition, chapter III section B
(10 parts x 3 appraisers x 3 trials; average-and-range report, ANOVA report). The table below
reproduces the published sums of squares; copies with altered values are common. The two methods give
different numbers of categories for the same study: 5 and 4.
"""

import numpy as np
import pytest
from scipy.stats import norm

from analysis.gauge_study import (
    D2,
    D2_STAR,
    D4,
    StudyReading,
    analysis_of_variance,
    average_and_range,
    crossed,
)

# appraiser -> trial -> parts 1 to 10
TABLE = {
    "A": (
        (0.29, -0.56, 1.34, 0.47, -0.8, 0.02, 0.59, -0.31, 2.26, -1.36),
        (0.41, -0.68, 1.17, 0.5, -0.92, -0.11, 0.75, -0.2, 1.99, -1.25),
        (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31),
    ),
    "B": (
        (0.08, -0.47, 1.19, 0.01, -0.56, -0.2, 0.47, -0.63, 1.8, -1.68),
        (0.25, -1.22, 0.94, 1.03, -1.2, 0.22, 0.55, 0.08, 2.12, -1.62),
        (0.07, -0.68, 1.34, 0.2, -1.28, 0.06, 0.83, -0.34, 2.19, -1.5),
    ),
    "C": (
        (0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
        (-0.11, -1.13, 1.09, 0.2, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
        (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16),
    ),
}


@pytest.fixture(scope="module")
def study():
    return crossed(
        StudyReading(name, str(part), trial, value)
        for name, trials in TABLE.items()
        for trial, values in enumerate(trials, start=1)
        for part, value in enumerate(values, start=1)
    )


def test_average_and_range_report(study):
    got = average_and_range(study)
    # The manual goes on with rounded values (difference of means 0.4446, exact 0.444667): 3e-4 relative.
    assert got.repeatability_um == pytest.approx(0.20188, rel=3e-4)
    assert got.reproducibility_um == pytest.approx(0.22963, rel=3e-4)
    assert got.combined_um == pytest.approx(0.30575, rel=3e-4)
    assert got.part_um == pytest.approx(1.10456, rel=3e-4)
    assert got.total_um == pytest.approx(1.1461, rel=3e-4)
    assert got.percent_of_total == pytest.approx(26.68, abs=0.02)
    assert got.categories == 5
    assert got.outside == (("B", "4"),)


def test_anova_table(study):
    rows = {row.source: row for row in analysis_of_variance(study).table}
    published = {  # sum of squares, degrees of freedom
        "technician": (3.1673, 2),
        "part": (88.3619, 9),
        "interaction": (0.359, 18),
        "repeatability": (2.7589, 60),
        "total": (94.6471, 89),
    }
    for source, (ss, dof) in published.items():
        assert rows[source].sum_of_squares == pytest.approx(ss, abs=6e-5)
        assert rows[source].degrees_of_freedom == dof
    assert rows["interaction"].f == pytest.approx(0.434, abs=5e-4)
    assert rows["interaction"].p == pytest.approx(0.974, abs=5e-4)
    assert rows["part"].f == pytest.approx(492.291, abs=6e-4)
    assert rows["technician"].f == pytest.approx(79.406, abs=6e-4)


def test_anova_report_with_the_interaction_pooled(study):
    got = analysis_of_variance(study)
    assert got.repeatability_um == pytest.approx(0.199933, abs=6e-7)
    assert got.reproducibility_um == pytest.approx(0.226838, abs=6e-7)
    assert got.combined_um == pytest.approx(0.302373, abs=2e-6)  # published from rounded squares
    assert got.part_um == pytest.approx(1.042327, abs=6e-7)
    assert got.total_um == pytest.approx(1.085, abs=6e-4)
    assert got.percent_of_total == pytest.approx(27.86, abs=0.01)
    assert got.categories == 4
    assert got.interaction_um == 0.0


@pytest.mark.parametrize("size", sorted(D2))
def test_range_factors_are_those_of_normal_samples(size):
    """d2, d2* (one subgroup) and D4 by integrating the distribution of the range."""

    x = np.linspace(-8.0, 8.0, 1601)
    grid = np.linspace(0.0, 10.0, 401)
    spread = norm.cdf(x[None, :] + grid[:, None]) - norm.cdf(x)[None, :]
    tail = 1.0 - size * np.trapezoid(norm.pdf(x) * spread ** (size - 1), x, axis=1)  # P(range > grid)
    mean = np.trapezoid(tail, grid)
    square = np.trapezoid(2.0 * grid * tail, grid)
    assert D2[size] == pytest.approx(mean, abs=2e-4)
    assert D2_STAR[size] == pytest.approx(np.sqrt(square), abs=2e-4)
    assert D4[size] == pytest.approx(1.0 + 3.0 * np.sqrt(square - mean**2) / mean, abs=1e-3)
