"""The check of an indicator against figures that are known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.indicator_check import Level, Seen, check_indicator, step_nm
from analysis.results_check import IndicatorCheck
from config.indicators import Indicator
from tests.capture.helpers import indicator

STEADY = np.arange(250) * 0.02


def seen(length_nm: list[int] | None = None, **more: object) -> Seen:
    flicker = length_nm or [5_000, 6_000, 5_000, 7_000, 6_000] * 50
    return Seen(STEADY, flicker, **more)  # type: ignore[arg-type]


def blocks(deviations_um: list[float], *, scatter_nm: int = 0) -> list[Level]:
    """Blocks of 0, 1, 2 … mm up with these deviations, then down with 1 um more each."""
    count = len(deviations_um)

    def values(place: int, more_um: float = 0.0) -> tuple[int, ...]:
        at = round(1_000 * (1_000 * place + deviations_um[place] + more_um))
        return (at - scatter_nm, at + scatter_nm) * 25

    up = [Level(place * 1_000_000, "up", values(place)) for place in range(count)]
    down = [Level(place * 1_000_000, "down", values(place, 1.0)) for place in reversed(range(count - 1))]
    return up + down


def codes(check: IndicatorCheck) -> set[str]:
    return {reason.code for reason in check.reasons}


def described(**more: object) -> Indicator:
    return indicator(rate_hz=50, **more)


def test_pace_noise_and_step_of_an_untouched_indicator() -> None:
    check = check_indicator(described(), seen())
    assert check.pace.rate_hz == pytest.approx(50.0)
    assert check.pace.missing == 0
    assert check.pace.jitter_ms == pytest.approx(0.0, abs=1e-6)
    # 5, 6, 5, 7, 6 um: mean 5.8, squares .64 .04 .64 1.44 .04 = 2.8, times 50 over 249
    assert check.at_rest.noise_mm == pytest.approx(math.sqrt(2.8 * 50 / 249) / 1000)
    assert check.at_rest.spread_mm == 0.002
    assert check.at_rest.step_mm == 0.001
    assert check.passed


@pytest.mark.parametrize(
    ("values", "found"),
    [
        ([0, 5_000, 15_000], 5_000),
        ([0, 1_270, 3_810], 1_270),
        ([12_700, 0, -25_400], 12_700),
        ([0, 1_000], None),
        ([7, 7, 7], None),
    ],
)
def test_the_step_that_is_really_delivered(values: list[int], found: int | None) -> None:
    assert step_nm(values) == found


def test_a_coarser_step_missing_slow_and_noisy_readings_are_told() -> None:
    coarse = check_indicator(described(), seen([0, 5_000, 10_000] * 83 + [0]))
    assert {"other_step", "restless"} <= codes(coarse)
    kept = np.delete(STEADY, [100, 150])
    assert codes(check_indicator(described(), Seen(kept, [5_000, 6_000] * 124))) == {"missing"}
    slow = check_indicator(described(), Seen(2 * STEADY, [5_000, 6_000] * 125))
    assert codes(slow) == {"slow"}
    held = check_indicator(described(), seen(flagged=3, flags=("hold is on",), unreadable=1))
    assert codes(held) == {"flagged", "unreadable"}
    assert not held.passed


def test_deviation_hysteresis_and_verdict_against_blocks() -> None:
    check = check_indicator(described(), seen(), blocks([0.0, 0.4, -0.6, 0.8]))
    found = check.blocks
    assert found is not None
    assert [point.deviation_mm for point in found.points] == pytest.approx(
        [0.0, 0.0004, -0.0006, 0.0008, 0.0004, 0.0014, 0.001]
    )
    assert (found.worst_mm, found.worst_at_mm) == (0.0014, 1.0)
    assert found.hysteresis_mm == pytest.approx(0.001)
    # U: steps 1/sqrt(12) um twice, blocks 0.45/sqrt(3) twice, 4e-6/K * 5 K * 1 mm / sqrt(3); k = 1.96
    standard = math.sqrt(2 / 12 + 2 * 0.45**2 / 3 + (4e-6 * 5 * 1000) ** 2 / 3)
    assert found.uncertainty_mm.standard == pytest.approx(standard / 1000, rel=0.01)  # a series cut off
    assert found.uncertainty_mm.coverage_factor == pytest.approx(1.959964)
    assert found.verdict == "within"
    assert check.passed


@pytest.mark.parametrize(
    ("worst_um", "verdict"), [(1.5, "within"), (2.5, "undecided"), (3.5, "undecided"), (6.0, "over")]
)
def test_the_verdict_minds_the_uncertainty(worst_um: float, verdict: str) -> None:
    """Permissible 3 um, U about 1.1 um: the decision rule of ISO 14253-1."""
    check = check_indicator(described(), seen(), blocks([0.0, worst_um, 0.0])[:3])
    assert check.blocks is not None
    assert check.blocks.verdict == verdict
    assert check.blocks.hysteresis_mm is None
    assert check.passed == (verdict == "within")


def test_scatter_and_a_stated_block_error_widen_the_uncertainty() -> None:
    plain = check_indicator(described(), seen(), blocks([0.0, 0.0])[:2]).blocks
    wide = check_indicator(described(), seen(), blocks([0.0, 0.0], scatter_nm=5_000)[:2], block_error_um=1.0)
    assert plain is not None
    assert wide.blocks is not None
    sources = {line.source: line.standard for line in wide.blocks.uncertainty_mm.budget}
    assert sources["two gauge blocks, each +-1 um"] == pytest.approx(math.sqrt(2 / 3) / 1000)
    # readings at +-5 um, 50 of them twice: 5 sqrt(50/49) / sqrt(50) * sqrt(2)
    assert sources["scatter of the readings, two means"] == pytest.approx(5e-3 * math.sqrt(2 / 49))
    assert wide.blocks.uncertainty_mm.expanded > plain.uncertainty_mm.expanded


def test_one_that_sends_when_it_likes_is_no_fault() -> None:
    odd = np.cumsum(np.random.default_rng(3).pareto(1.1, 250))
    check = check_indicator(described(), Seen(odd, [5_000, 6_000] * 125))
    assert codes(check) == {"no_pace"}
    assert check.pace.missing is None
    assert check.passed
