"""Order 1 carried to another radius: similar triangles."""

from __future__ import annotations

import pytest

from analysis.scaling import tilt_at
from config.errors import InputError


def test_a_tilt_grows_with_the_radius() -> None:
    """20 um of swing at 70 mm is 40 um at the edge of a disc of 280 mm."""
    there = tilt_at(10.0, 0.5, probe_radius_mm=70.0, wanted_radius_mm=140.0)
    assert there.runout_um == pytest.approx(40.0)
    assert there.standard_um == pytest.approx(2.0)
    assert there.tilt_um_per_mm == pytest.approx(1 / 7)


@pytest.mark.parametrize(("probe", "wanted"), [(0.0, 140.0), (70.0, -1.0), (float("nan"), 140.0)])
def test_radii_above_zero(probe: float, wanted: float) -> None:
    with pytest.raises(InputError):
        tilt_at(10.0, 0.5, probe_radius_mm=probe, wanted_radius_mm=wanted)
