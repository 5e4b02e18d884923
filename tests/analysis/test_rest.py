"""The rest check: may this set-up be trusted?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.rest import check_rest
from analysis.results import RestResult
from analysis.trace import Trace
from config.limits import Limit
from simulators.hand import Rest
from simulators.holder import Holder, Slip
from simulators.recording import record
from simulators.scenarios import build
from tests.recordings import trace_of

LIMIT = Limit(name="any", quantity="runout", source="a test", max_nm=50_800)


def at_rest(
    seed: int = 1,
    *,
    seconds: float = 8.0,
    step_um: float = 1.0,
    noise_um: float = 0.3,
    drift_um_min: float = 0.0,
    slip_um: float = 0.0,
) -> Trace:
    time_s = np.arange(0.0, seconds, 0.05)
    reading = 137.3 + noise_um * np.random.default_rng(seed).standard_normal(time_s.size)
    reading += drift_um_min * time_s / 60.0 + slip_um * (time_s > 0.6 * seconds)
    return Trace(time_s, np.round(reading / step_um) * step_um, resolution_um=step_um)


def codes(result: RestResult) -> set[str]:
    return {reason.code for reason in result.reasons}


@pytest.mark.parametrize("step_um", [1.0, 10.0, 12.7])
def test_a_steady_indicator_is_steady(step_um: float) -> None:
    for seed in range(40):
        result = check_rest(at_rest(seed, step_um=step_um))
        assert (result.steady, result.holder_moved) == (True, False), (seed, result)
        assert result.reasons == ()


def test_noise_is_told() -> None:
    result = check_rest(at_rest(noise_um=0.6, step_um=0.1))
    assert result.noise_mm == pytest.approx(0.0006, rel=0.15)
    assert result.duration_s == pytest.approx(7.95)
    assert (result.readings.used, result.readings.rejected) == (160, 0)


@pytest.mark.parametrize("drift_um_min", [-20.0, 12.0, 60.0])
def test_a_creeping_holder_is_told_with_its_rate(drift_um_min: float) -> None:
    result = check_rest(at_rest(drift_um_min=drift_um_min))
    assert (result.steady, result.holder_moved) == (False, True)
    assert codes(result) == {"holder_creeps"}
    assert result.drift_mm_per_min == pytest.approx(drift_um_min / 1000.0, abs=0.003)


@pytest.mark.parametrize("slip_um", [-25.0, 4.0])
def test_a_slipping_holder_is_told_with_its_size(slip_um: float) -> None:
    result = check_rest(at_rest(slip_um=slip_um))
    assert (result.steady, result.holder_moved) == (False, True)
    assert codes(result) == {"holder_slipped"}
    assert result.slip_mm == pytest.approx(slip_um / 1000.0, abs=0.0005)


def test_one_toggle_of_the_last_digit_is_no_slip() -> None:
    """A level next to the edge of a coarse step may show one step and then the next for good."""
    result = check_rest(at_rest(step_um=12.7, noise_um=0.0, slip_um=1.0))
    assert result.holder_moved is False


def test_an_indicator_that_is_not_still_is_told() -> None:
    result = check_rest(at_rest(noise_um=4.0))
    assert (result.steady, result.holder_moved) == (False, False)
    assert codes(result) == {"restless"}


@pytest.mark.parametrize(
    "trace", [at_rest(seconds=1.0), at_rest().where(slice(0, 9)), at_rest().where(slice(0))]
)
def test_too_little_to_tell_is_said_and_nothing_is_claimed(trace: Trace) -> None:
    result = check_rest(trace)
    assert (result.steady, result.holder_moved) == (None, None)
    assert (result.noise_mm, result.drift_mm_per_min, result.slip_mm) == (None, None, None)
    assert codes(result) == {"too_short"}


def test_what_the_set_up_forbids_is_said() -> None:
    trace = at_rest(step_um=12.7)
    assert "resolution_coarse" in codes(check_rest(trace, limit=LIMIT))
    assert "resolution_coarse" not in codes(check_rest(at_rest(), limit=LIMIT))
    assert "plunger_near_end" in codes(check_rest(trace, range_um=(0.0, 12_700.0)))
    assert "plunger_near_end" in codes(check_rest(trace, range_um=(-12_000.0, 500.0)))
    assert "plunger_near_end" not in codes(check_rest(trace, range_um=(-6_000.0, 6_000.0)))
    assert check_rest(trace, range_um=(0.0, 12_700.0)).holder_moved is False


def test_simulated_holders() -> None:
    still = build("sound-hub", 3)
    assert check_rest(trace_of(record(still, Rest(6.0), 3))).steady is True
    loose = replace(still, holder=Holder(slips=(Slip(3.0, 22.0),)))
    result = check_rest(trace_of(record(loose, Rest(6.0), 3)))
    assert result.holder_moved is True
    assert result.slip_mm == pytest.approx(0.022, abs=0.001)


def test_a_loose_holder_of_the_demo_is_caught() -> None:
    caught = sum(
        check_rest(trace_of(record("loose-holder", Rest(5.0), seed))).holder_moved is True
        for seed in range(20)
    )
    assert caught == 20
