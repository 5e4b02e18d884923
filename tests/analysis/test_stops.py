"""Run-out from rests at the studs: closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.stops import StopFit, fit_stops


def at_studs(studs: int, turns: int, step_um: float = 1.0, drift_um: float = 0.0) -> StopFit:
    """A flange of 20 cos(angle - 0.5) + 5 cos(2 angle), read eight times at each stud."""
    stop = np.arange(studs * turns + 1)
    angle = 2 * math.pi * stop / studs
    level = 20 * np.cos(angle - 0.5) + 5 * np.cos(2 * angle) + drift_um * stop / stop[-1]
    read = np.round(level / step_um) * step_um
    return fit_stops(np.repeat(angle, 8), np.repeat(read, 8), step_um)


def test_orders_up_to_half_the_number_of_stops() -> None:
    fit = at_studs(5, 2, step_um=0.001)
    assert fit.stops == 5
    assert [order.order for order in fit.orders] == [1, 2]
    assert fit.orders[0].amplitude_um == pytest.approx(20.0, abs=1e-3)
    assert fit.orders[0].peak_deg == pytest.approx(math.degrees(0.5), abs=0.01)
    assert fit.orders[1].amplitude_um == pytest.approx(5.0, abs=1e-3)


def test_half_the_number_itself_is_left_out() -> None:
    assert [order.order for order in at_studs(4, 2).orders] == [1]


def test_steps_stay_within_their_uncertainty() -> None:
    fit = at_studs(5, 3)
    assert fit.orders[0].amplitude_um == pytest.approx(20.0, abs=3 * fit.orders[0].standard_um)
    assert fit.non_repeatable_um == 0.0
    assert len(fit.per_turn_um) == 3


def test_drift_is_taken_off_with_a_second_visit() -> None:
    fit = at_studs(5, 2, step_um=0.01, drift_um=6.0)
    assert fit.drift_um == pytest.approx(6.0, abs=0.05)
    assert fit.orders[0].amplitude_um == pytest.approx(20.0, abs=0.05)
    assert at_studs(5, 1).drift_um is None
