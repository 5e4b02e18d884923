"""Components and their combination; the published figures are in tests/reference."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import uncertainty
from analysis.values import Component, Setup

POSITIVE = st.floats(min_value=1e-6, max_value=1e3)
FREEDOM = st.one_of(st.just(math.inf), st.floats(min_value=1.0, max_value=500.0))


@given(st.lists(st.tuples(POSITIVE, FREEDOM), min_size=1, max_size=8))
def test_sum_and_degrees_of_freedom_stay_within_what_their_formulas_allow(
    parts: list[tuple[float, float]],
) -> None:
    found = uncertainty.combine([Component("any", u, "A", dof) for u, dof in parts])
    assert found.standard_um**2 == pytest.approx(sum(u * u for u, _ in parts))
    # Welch-Satterthwaite lies between the smallest degrees of freedom and their sum.
    assert found.degrees_of_freedom >= min(dof for _, dof in parts) * (1 - 1e-9)
    assert found.degrees_of_freedom <= sum(dof for _, dof in parts) * (1 + 1e-9)
    assert found.expanded_um == pytest.approx(found.coverage_factor * found.standard_um)


def test_an_empty_budget_is_exact_and_says_so() -> None:
    found = uncertainty.combine(())
    assert (found.standard_um, found.expanded_um) == (0.0, 0.0)
    assert math.isinf(found.degrees_of_freedom)


@pytest.mark.parametrize(
    "bad",
    [
        Component("negative", -1.0, "B"),
        Component("not a number", math.nan, "B"),
        Component("endless", math.inf, "B"),
        Component("no freedom", 1.0, "A", 0.0),
    ],
)
def test_components_that_cannot_be_are_refused_by_name(bad: Component) -> None:
    with pytest.raises(ValueError, match=bad.source):
        uncertainty.combine([bad])


def test_permissible_error_prefers_the_short_travel_and_says_what_was_assumed() -> None:
    assert uncertainty.permissible_error(Setup()) is None
    local = uncertainty.permissible_error(Setup(permissible_error_um=3.0, permissible_local_error_um=1.0))
    assert local is not None
    assert local.standard_um == pytest.approx(1.0 / math.sqrt(3))
    assert "short travel" in local.source
    whole = uncertainty.permissible_error(Setup(permissible_error_um=3.0))
    assert whole is not None
    assert whole.standard_um == pytest.approx(math.sqrt(3))
    assert "assumed" in whole.source


def test_warming_and_drift_are_rectangles() -> None:
    assert uncertainty.temperature(Setup()) is None
    warm = uncertainty.temperature(Setup(temperature_drift_um=-1.5))
    assert warm is not None
    assert warm.standard_um == pytest.approx(1.5 / math.sqrt(3))
    assert uncertainty.drift(-0.6).standard_um == pytest.approx(0.6 / math.sqrt(3))


@pytest.mark.parametrize("noise", [0.0, 0.02, 0.08, 0.2, 0.3, 0.5, 1.0])
def test_rounding_left_in_a_mean_against_a_simulation(noise: float) -> None:
    """Levels at every place between two steps, read often: what the mean of the readings is wrong by."""
    rng = np.random.default_rng(3)
    place = (np.arange(200) + 0.5) / 200
    shown = np.round(place[:, None] + noise * rng.standard_normal((200, 4000)))
    wrong = float(np.sqrt(np.mean((shown.mean(axis=1) - place) ** 2)))
    scatter = float(np.sqrt(shown.var(axis=1).mean()))
    left = math.hypot(uncertainty.mean_of_steps_um(1.0, scatter), scatter / math.sqrt(4000))
    assert left == pytest.approx(wrong, rel=0.12, abs=0.004)


def test_rounding_of_a_level_on_one_step_is_the_rectangle() -> None:
    assert uncertainty.mean_of_steps_um(12.7, 0.0) == pytest.approx(12.7 / math.sqrt(12), rel=0.02)
    assert uncertainty.mean_of_steps_um(0.0, 1.0) == 0.0


def test_one_value_has_no_repeatability() -> None:
    assert uncertainty.repeatability([3.0], "1 stroke") is None


@pytest.mark.parametrize(
    ("boxes", "quantile"),
    [
        (1, 0.95 * math.sqrt(3.0)),  # of a rectangle of standard deviation 1
        (2, (1.0 - math.sqrt(0.05)) * math.sqrt(6.0)),  # of the triangle that two alike make
    ],
)
def test_factor_where_rectangles_rule(boxes: int, quantile: float) -> None:
    """Closed forms; a normal factor of 1.96 would cover 100 and 96.0 % instead of 95 (JCGM 101)."""
    standard = 1.0 / math.sqrt(boxes)
    parts = [Component(f"box {k}", standard, "B", distribution="rectangular") for k in range(boxes)]
    assert uncertainty.combine(parts).expanded_um == pytest.approx(quantile, rel=0.01)


def test_small_rectangles_leave_the_normal_factor() -> None:
    parts = [Component("noise", 1.0, "A"), Component("step", 0.2, "B", distribution="rectangular")]
    assert uncertainty.combine(parts).coverage_factor == pytest.approx(1.96, abs=0.01)
