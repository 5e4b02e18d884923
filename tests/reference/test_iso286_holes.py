"""Hole classes and tolerance grades against ISO 286.

Sources: ISO 286-2 limit deviations for holes (public table of PyPI `isofits` 1.0, agreeing with a second
table for J6-7, JS7, K6-7, M6-7, N6-7, R7); ISO 286-1:2010 Table 1 grades, and its rule for the tolerance
factor i = 0.45 D^(1/3) + 0.001 D with IT5 = 7 i, IT6 = 10 i, IT7 = 16 i, IT8 = 25 i. H, G and P rest on one
table and on the rule ES = -(shaft deviation) + IT7 - IT6.
"""

from math import sqrt

import pytest

from config.errors import InputError
from config.fits import hole_classes, hole_limits, tolerance_um

# nominal size inside the range, class, ES, EI (um)
PUBLISHED = [
    (60, "H6", 19, 0), (60, "H7", 30, 0), (60, "H8", 46, 0), (60, "G7", 40, 10), (60, "J7", 18, -12),
    (60, "JS7", 15, -15), (60, "K6", 4, -15), (60, "K7", 9, -21), (60, "M6", -5, -24), (60, "M7", 0, -30),
    (60, "N6", -14, -33), (60, "N7", -9, -39), (60, "P6", -26, -45), (60, "P7", -21, -51),
    (60, "R7", -30, -60), (74, "H7", 30, 0), (74, "K7", 9, -21), (74, "M7", 0, -30), (74, "N7", -9, -39),
    (74, "P7", -21, -51), (74, "R7", -32, -62), (84, "H7", 35, 0), (84, "G7", 47, 12),
    (84, "JS7", 17.5, -17.5), (84, "K7", 10, -25), (84, "M7", 0, -35), (84, "N7", -10, -45),
    (84, "P7", -24, -59),
    (84, "R7", -38, -73), (110, "K6", 4, -18), (110, "M6", -6, -28), (110, "N6", -16, -38),
    (110, "P6", -30, -52),
    (110, "R7", -41, -76),
]  # fmt: skip
GRADES = {60: (13, 19, 30, 46), 100: (15, 22, 35, 54)}  # IT5 to IT8, um


@pytest.mark.parametrize(("size", "name", "upper", "lower"), PUBLISHED)
def test_published_deviations(size, name, upper, lower):
    got = hole_limits(size, name)
    assert (got.upper_um, got.lower_um) == (upper, lower)


@pytest.mark.parametrize("size", [50.1, 65, 65.1, 80, 80.1, 100, 100.1, 120])
def test_every_width_is_its_tolerance_grade(size):
    for name in hole_classes():
        limits = hole_limits(size, name)
        assert limits.upper_um - limits.lower_um == tolerance_um(size, int(name[-1]))


@pytest.mark.parametrize(("size", "published"), GRADES.items())
def test_grades_follow_the_standards_formula(size, published):
    low, high = (50, 80) if size <= 80 else (80, 120)
    mean = sqrt(low * high)
    factor = 0.45 * mean ** (1 / 3) + 0.001 * mean
    for grade, multiple, width in zip((5, 6, 7, 8), (7, 10, 16, 25), published, strict=True):
        assert tolerance_um(size, grade) == width
        assert width == pytest.approx(multiple * factor, abs=1.0)  # the table is rounded to whole um


SHAFT_DEVIATION = {"K7": (2, 3), "M7": (11, 13), "N7": (20, 23), "P7": (32, 37)}


@pytest.mark.parametrize("name", SHAFT_DEVIATION)
def test_holes_follow_from_shafts(name):
    """ISO 286-1: ES = -ei + (IT7 - IT6), with ei of shafts k, m, n, p (these from memory)."""
    for size, ei in zip((60, 84), SHAFT_DEVIATION[name], strict=True):
        step = tolerance_um(size, 7) - tolerance_um(size, 6)
        assert hole_limits(size, name).upper_um == -ei + step


@pytest.mark.parametrize(("size", "name"), [(50, "H7"), (120.1, "H7"), (74, "Z9"), (74, "")])
def test_outside_the_tables_nothing_is_guessed(size, name):
    with pytest.raises(InputError):
        hole_limits(size, name)


def test_unknown_grade_is_refused():
    with pytest.raises(InputError, match="IT9"):
        tolerance_um(74, 9)
