"""Before and after: the change's uncertainty is the root sum of squares (JCGM 100, 5.1.2)."""

import pytest

from analysis.comparison import compare
from analysis.uncertainty import combine
from analysis.values import Component


def spread(*standards, name="s", dof=float("inf")):
    return combine([Component(f"{name}{k}", s, "B", dof) for k, s in enumerate(standards)])


def test_better_with_its_own_uncertainty():
    got = compare(81.0, spread(1.2), 40.0, spread(1.6))
    assert got.change_um == pytest.approx(41.0)
    assert got.uncertainty.standard_um == pytest.approx(2.0)  # 1.2, 1.6, 2.0
    assert got.text == "better by 0.041 mm +- 0.004 mm"


def test_worse_and_not_told():
    assert compare(40.0, spread(1.0), 81.0, spread(1.0)).direction == "worse"
    got = compare(42.0, spread(3.0, 4.0), 40.0, spread(3.0, 4.0))
    assert got.direction == "no change that could be told"


def test_a_shared_source_cancels():
    alone = compare(81.0, spread(3.0, 1.0), 40.0, spread(3.0, 1.0))
    both = compare(81.0, spread(3.0, 1.0), 40.0, spread(3.0, 1.0), shared=frozenset({"s0"}))
    assert alone.uncertainty.standard_um == pytest.approx(20**0.5)
    assert both.uncertainty.standard_um == pytest.approx(2**0.5)


def test_few_readings_widen_the_change():
    few = compare(10.0, spread(1.0, dof=2.0), 0.0, spread(1.0, dof=2.0))
    assert few.uncertainty.coverage_factor == pytest.approx(2.776, abs=0.001)  # t of 4 degrees of freedom
