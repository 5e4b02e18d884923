"""Contact pressure, force and contraction of an interference fit against textbooks and an own solution."""

from math import pi

import numpy as np
import pytest
from scipy.integrate import solve_bvp

from analysis.fit import fit_effect, make_fit, size_at_20_mm
from analysis.press import (
    BEARING_STEEL,
    CAST_IRON,
    Cylinder,
    Material,
    contact_pressure_mpa,
    press_fit,
    ring_inner_mm,
)
from config.errors import InputError
from config.fits import hole_limits, outer_ring_limits

STEEL = Material("steel of the example", 207_000.0, 0.3, 0.0)


def test_compound_cylinder_of_the_textbook():
    """V. B. Bhandari, Design of Machine Elements, Example 22.6: bore 20, contact 40, jacket 60 mm.

    Published: 100 MPa allowed at the jacket's bore gives 38.46 MPa, interference 0.031711 mm and a jacket
    bored to 39.968289 mm.
    """
    tube, jacket = Cylinder(20, 40, STEEL), Cylinder(40, 60, STEEL)
    got = press_fit(31.711, tube, jacket, length_mm=1.0, friction=0.1)
    assert got.pressure_mpa == pytest.approx(38.46153846, rel=2e-5)
    assert got.hoop_stress_mpa == pytest.approx(100.0, rel=2e-5)


def test_steel_shaft_in_a_cast_iron_disc():
    """Inputs of a public lecture's example (radii 25, 50, 125 mm; 30 MPa at the disc's bore).

    The lecture's own answers could not be read; pressure, interference and force were computed apart from
    this code, by Lamé's equations.
    """
    shaft = Cylinder(50, 100, Material("shaft", 210_000.0, 0.3, 0.0))
    disc = Cylinder(100, 250, Material("disc", 70_000.0, 0.25, 0.0))
    got = press_fit(2 * 32.376847290640394, shaft, disc, length_mm=100.0, friction=0.15)
    assert got.pressure_mpa == pytest.approx(21.724137931034484, rel=1e-12)
    assert got.hoop_stress_mpa == pytest.approx(30.0, rel=1e-12)
    assert got.force_n == pytest.approx(102372.58819456396, rel=1e-12)


def radial_equilibrium(inner, outer, pressure_in, pressure_out, material, at):
    """Displacement at radius `at` by integrating u'' + u'/r - u/r^2 = 0 (plane stress) numerically."""
    e, nu = material.modulus_mpa, material.poisson

    def stress(r, u, slope):
        return e / (1 - nu**2) * (slope + nu * u / r)

    def rhs(r, y):
        return np.vstack([y[1], y[0] / r**2 - y[1] / r])

    def ends(ya, yb):
        return [
            (stress(inner, ya[0], ya[1]) + pressure_in) / e,
            (stress(outer, yb[0], yb[1]) + pressure_out) / e,
        ]

    r = np.linspace(inner, outer, 41)
    solved = solve_bvp(rhs, ends, r, np.zeros((2, r.size)), tol=1e-10, max_nodes=20_000)
    assert solved.success
    return float(solved.sol(at)[0])


def test_ring_in_knuckle_against_numerical_equilibrium():
    """An outer ring 62/74 mm in a cast-iron wall of 96 mm: the displacements add up to the interference."""
    ring, wall = Cylinder(62, 74, BEARING_STEEL), Cylinder(74, 96, CAST_IRON)
    got = press_fit(40.0, ring, wall, length_mm=36.0, friction=0.12)
    p = got.pressure_mpa
    ring_outside = radial_equilibrium(31, 37, 0.0, p, BEARING_STEEL, 37)
    wall_inside = radial_equilibrium(37, 48, p, 0.0, CAST_IRON, 37)
    ring_inside = radial_equilibrium(31, 37, 0.0, p, BEARING_STEEL, 31)
    assert 2000 * (wall_inside - ring_outside) == pytest.approx(40.0, rel=1e-6)
    assert -2000 * ring_inside == pytest.approx(got.raceway_um, rel=1e-6)
    assert got.force_n == pytest.approx(0.12 * p * pi * 74 * 36, rel=1e-12)


def test_thin_ring_limit():
    """A thin ring in a rigid wall follows it: the raceway shrinks by nearly the whole interference."""
    rigid = Material("rigid", 1e12, 0.3, 0.0)
    got = press_fit(
        10.0, Cylinder(79.9, 80, BEARING_STEEL), Cylinder(80, 160, rigid), length_mm=1, friction=0.1
    )
    assert got.raceway_um == pytest.approx(10.0, rel=2e-3)


def test_clearance_presses_nothing():
    got = press_fit(-5.0, Cylinder(62, 74, STEEL), Cylinder(74, 96, STEEL), length_mm=36, friction=0.12)
    assert (got.pressure_mpa, got.force_n, got.hoop_stress_mpa, got.raceway_um) == (0.0, 0.0, 0.0, 0.0)


def test_handbook_ring_diameter():
    """(d + 4 D)/5; numerator published, divisor from memory."""
    assert ring_inner_mm(39.0, 74.0) == pytest.approx(67.0)


def test_fit_of_a_74_mm_ring_in_an_n7_bore():
    """ISO 286-2 N7 over 65 to 80 mm: -9/-39 um; ISO 492 Normal over 50 to 80 mm: 0/-13 um."""
    fit = make_fit(outer_ring_limits(74), hole_limits(74, "N7"))
    assert (fit.least_um, fit.most_um, fit.kind) == (-13 + 9, 0 + 39, "transition")
    effect = fit_effect(
        fit,
        Cylinder(62, 74, BEARING_STEEL),
        Cylinder(74, 96, CAST_IRON),
        length_mm=36,
        friction=0.12,
        contact_angle_deg=45.0,
    )
    assert effect.least.force_n == 0.0
    assert 0.5 * 39 < effect.radial_clearance_loss_um[1] < 39
    assert effect.axial_clearance_loss_um == pytest.approx(effect.radial_clearance_loss_um)  # cot 45 = 1


def test_size_at_20_degrees():
    """ISO 1; an aluminium knuckle of 74 mm at 30 C, ring at 20 C: 23e-6 x 10 x 74 mm = 17.02 um too large."""
    got = size_at_20_mm(74.0, 17.02, part_c=30.0, ring_expansion_per_k=12e-6, part_expansion_per_k=23e-6)
    assert got == pytest.approx(74.0, abs=5e-6)
    same = size_at_20_mm(
        74.0, 0.0, ring_c=35.0, part_c=35.0, ring_expansion_per_k=11.5e-6, part_expansion_per_k=11.5e-6
    )
    assert same == pytest.approx(74.0, abs=1e-12)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Cylinder(74, 62, STEEL),
        lambda: press_fit(1, Cylinder(62, 74, STEEL), Cylinder(74, 96, STEEL), length_mm=0, friction=0.1),
        lambda: press_fit(1, Cylinder(62, 74, STEEL), Cylinder(74, 96, STEEL), length_mm=9, friction=-1),
        lambda: contact_pressure_mpa(1, Cylinder(62, 74, STEEL), Cylinder(90, 96, STEEL)),
        lambda: make_fit(outer_ring_limits(74), hole_limits(90, "N7")),
    ],
)
def test_what_cannot_be_a_fit_is_refused(make):
    with pytest.raises(InputError):
        make()
