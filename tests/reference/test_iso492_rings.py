"""Outside diameter of outer rings, ISO 492 tolerance class Normal (one public table read)."""

import pytest

from config.errors import InputError
from config.fits import outer_ring_limits

PUBLISHED = [
    (25, -9),
    (30, -9),
    (40, -11),
    (74, -13),
    (80, -13),
    (84, -15),
    (120, -15),
    (130, -18),
    (180, -25),
]


@pytest.mark.parametrize(("outside_mm", "lower_um"), PUBLISHED)
def test_published_limits(outside_mm, lower_um):
    got = outer_ring_limits(outside_mm)
    assert (got.upper_um, got.lower_um) == (0, lower_um)
    assert "ISO 492" in got.source


@pytest.mark.parametrize("outside_mm", [18, 180.5])
def test_outside_the_table_nothing_is_guessed(outside_mm):
    with pytest.raises(InputError):
        outer_ring_limits(outside_mm)
