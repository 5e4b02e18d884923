"""One inch is 25.4 mm exactly (international yard and pound agreement of 1959; ISO 80000-3)."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from analysis.measure import measure_endplay
from analysis.trace import Trace
from config.lengths import NM_PER_UNIT, parse_length_nm


@pytest.mark.parametrize(
    ("text", "length_nm"),
    [
        ("1 in", 25_400_000),
        ("0.002 in", 50_800),
        ("0.003 in", 76_200),
        ("0.005 in", 127_000),
        ("0.0005 in", 12_700),
        ("0.00005 in", 1_270),
        ("0.00001 in", 254),
        ("1 thou", 25_400),
        ("25.4 mm", 25_400_000),
    ],
)
def test_inch_lengths_are_whole_nanometres(text: str, length_nm: int) -> None:
    assert parse_length_nm(text) == length_nm


def test_the_factor_is_exact() -> None:
    assert Fraction(NM_PER_UNIT["in"], NM_PER_UNIT["mm"]) == Fraction(254, 10)


def test_a_play_of_four_thousandths_read_in_inches_is_0_1016_mm() -> None:
    thousandths = np.repeat([0.0, 4.0, 0.0, 4.0, 0.0, 4.0], 20)
    trace = Trace(
        time_s=np.arange(thousandths.size) * 0.05,
        reading_um=thousandths * 25.4,
        resolution_um=12.7,
        unit="in",
    )
    assert measure_endplay(trace).play_mm == pytest.approx(0.1016, abs=1e-9)
