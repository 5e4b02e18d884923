"""The uncertainty arithmetic against worked figures of JCGM 100:2008 (GUM).

Source of the data: gum_examples.json (H.1 end-gauge calibration, Table G.2, typical Type B factors) and
stat_factors.csv (Table G.2; NIST/SEMATECH e-Handbook 1.3.6.7), each with how it was confirmed.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pytest

from analysis.uncertainty import (
    combine,
    coverage_factor,
    effective_degrees_of_freedom,
    rectangular_um,
    resolution,
    triangular_um,
)
from analysis.values import Component

HERE = Path(__file__).parent
GUM = json.loads((HERE / "gum_examples.json").read_text(encoding="utf-8"))
H1 = GUM["H1_end_gauge"]


def part(source: str, standard: float, freedom: float = math.inf) -> Component:
    return Component(source, standard, "B", freedom)


def end_gauge() -> tuple[Component, ...]:
    """The contributions of H.1 in nm, from its own inputs: standard uncertainty times sensitivity."""
    inputs = H1["inputs"]
    length_nm = inputs["ls"]["value"]
    dalpha = inputs["dalpha_per_C"]
    dtheta = inputs["dtheta_C"]
    return (
        part("standard", inputs["ls"]["u"], inputs["ls"]["dof"]),
        part("comparison", inputs["d"]["u"], inputs["d"]["dof"]),
        part(
            "difference of expansion",
            length_nm * abs(inputs["theta_C"]["value"]) * dalpha["u"],
            dalpha["dof"],
        ),
        part(
            "difference of temperature",
            length_nm * inputs["alpha_s_per_C"]["value"] * dtheta["u"],
            dtheta["dof"],
        ),
    )


def test_end_gauge_contributions() -> None:
    printed = H1["results"]["contributions_nm"]
    found = [round(each.standard_um, 1) for each in end_gauge()]
    # H.1.6 prints 16.6 where the unrounded inputs give 16.7.
    assert found == pytest.approx(
        [printed["ls"], printed["d"], printed["dalpha"], printed["dtheta"]], abs=0.11
    )


def test_end_gauge_budget_at_99_percent() -> None:
    printed = H1["results"]
    found = combine(end_gauge(), level=0.99)
    assert round(found.standard_um) == printed["uc_nm"] == 32
    assert found.degrees_of_freedom == pytest.approx(printed["nu_eff"], abs=0.1)
    assert math.floor(found.degrees_of_freedom) == 16
    assert round(found.coverage_factor, 2) == printed["k99"] == 2.92
    assert round(found.expanded_um) == printed["U99_nm"] == 93
    assert len(found.budget) == 4


def test_end_gauge_coverage_factor_at_95_percent() -> None:
    assert round(combine(end_gauge()).coverage_factor, 2) == H1["results"]["k95"] == 2.12


def test_comparison_parts_combine_with_their_degrees_of_freedom() -> None:
    """H.1.3.2: 5.8 nm (24), 3.9 nm (5) and 6.7 nm (8) give 9.7 nm with 25.6 degrees of freedom."""
    parts = H1["inputs"]["d"]["parts"]
    found = combine(
        (
            part("mean", parts["u_dbar"], parts["dof_dbar"]),
            part("random effects", parts["u_d1"], parts["dof_d1"]),
            part("systematic effects", parts["u_d2"], parts["dof_d2"]),
        )
    )
    assert round(found.standard_um, 1) == H1["inputs"]["d"]["u"]
    # The guide puts the rounded 9.7 nm into the sum, whose fourth power makes 25.4 into 25.6.
    rounded = found.degrees_of_freedom * (H1["inputs"]["d"]["u"] / found.standard_um) ** 4
    assert round(rounded, 1) == H1["inputs"]["d"]["dof"]


def test_four_equal_contributions_of_ten_degrees_give_forty() -> None:
    """The Welch-Satterthwaite sum by hand: (4 u^2)^2 / (4 u^4 / 10) = 40."""
    equal = [part(str(number), 0.7, 10.0) for number in range(4)]
    assert effective_degrees_of_freedom(equal) == pytest.approx(40.0)


def test_four_standard_inputs_as_in_supplement_1() -> None:
    """JCGM 101, 9.2.2: four inputs with u = 1 give u = 2 and, normal, +-3.92."""
    found = combine([part(str(number), 1.0) for number in range(4)])
    assert found.standard_um == pytest.approx(GUM["S1_additive"]["uc"])
    assert round(found.expanded_um, 2) == GUM["S1_additive"]["normal_95"]


@pytest.mark.parametrize(("freedom", "level", "value"), GUM["table_G2_t"])
def test_coverage_factors_of_table_g2(freedom: int, level: float, value: float) -> None:
    decimals = 1 if value > 100 else 2
    assert round(coverage_factor(freedom, level), decimals) == value


def upper_quantiles() -> list[tuple[int, float]]:
    """NIST/SEMATECH e-Handbook 1.3.6.7.2, from memory, verified: see stat_factors.csv."""
    with (HERE / "stat_factors.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return [(int(row["dof"]), float(row["value"])) for row in rows if row["table"] == "t_upper_0.975"]


@pytest.mark.parametrize(("freedom", "value"), upper_quantiles())
def test_student_t_of_the_handbook(freedom: int, value: float) -> None:
    assert coverage_factor(freedom) == pytest.approx(value, abs=0.0006)


@pytest.mark.parametrize("freedom", [16.0, 16.66, 16.999])
def test_degrees_of_freedom_are_cut_not_rounded(freedom: float) -> None:
    """JCGM 100, G.4.1 and H.1.6: 16.7 becomes 16."""
    assert coverage_factor(freedom) == coverage_factor(16)


def test_type_b_factors() -> None:
    """JCGM 100, 4.3.7 (rectangle) and 4.3.9 (triangle); F.2.2.1 (a step: d/sqrt(12) for one reading)."""
    assert rectangular_um(3.0) == pytest.approx(3.0 / math.sqrt(3))
    assert triangular_um(3.0) == pytest.approx(3.0 / math.sqrt(6))
    one_reading = 0.29  # x the step, as printed in F.2.2.1
    assert resolution(1.0).standard_um == pytest.approx(one_reading * math.sqrt(2), abs=0.005)
