"""Synchronous and asynchronous movement of a case whose parts are known in closed form.

Source: runout_terms.json. The terms are those of ISO 230-7 and ASME B89.3.4 (from memory), run-out is that of
ISO 1101 (confirmed); no worked example was found published, so the case is our own construction:
20 cos(th) + 3 cos(2 th) + cos(5.5 th) um over an even number of turns. What comes back every turn and is
not once per turn swings 2 x 3 um; at 5.5 waves a turn neighbouring turns are opposite, which is 2 x 1 um.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from analysis.runout import Runout, take_apart
from analysis.trace import FloatArray, Trace
from analysis.values import Cleaned, Setup, Turns

TERMS = json.loads((Path(__file__).parent / "runout_terms.json").read_text(encoding="utf-8"))
CASE = TERMS["analytic_check"]
STEP_UM = 0.1
PER_TURN = 360


def readings(angle: FloatArray) -> FloatArray:
    slow = CASE["a5.5"] * np.cos(5.5 * angle + 0.7)
    exact = CASE["e"] * np.cos(angle) + CASE["a2"] * np.cos(2 * angle) + slow
    return np.asarray(np.round(exact / STEP_UM) * STEP_UM, np.float64)


def turned(turns: int, surface: str = "face") -> Runout:
    """The case read at even angles, two seconds a turn, by an indicator with steps of 0.1 um."""
    angle = 2 * np.pi * np.arange(turns * PER_TURN + 1) / PER_TURN
    time_s = angle / np.pi
    trace = Trace(time_s, readings(angle), resolution_um=STEP_UM)
    cleaned = Cleaned(
        trace=trace,
        kept=np.ones(angle.size, np.bool_),
        notes=(),
        refused=False,
        noise_um=STEP_UM / np.sqrt(12),
        resolution_um=STEP_UM,
        corrected_um=np.zeros(angle.size),
    )
    laid = Turns(
        total=float(turns),
        complete=turns,
        found_by="angle",
        starts_s=2.0 * np.arange(turns + 1),
        confidence=1.0,
        angle_deg=np.rad2deg(angle),
        at_least_once=True,
    )
    return take_apart(cleaned, laid, Setup(surface="radial" if surface == "radial" else "face"))


@pytest.fixture(scope="module", params=[2, 4], ids=["two turns", "four turns"])
def found(request: pytest.FixtureRequest) -> Runout:
    return turned(request.param)


def test_synchronous_without_the_fundamental(found: Runout) -> None:
    assert found.residual_after_order_1_um == pytest.approx(CASE["synchronous_value_um"], abs=STEP_UM)


def test_asynchronous_value(found: Runout) -> None:
    assert found.non_repeatable_um == pytest.approx(2 * CASE["a5.5"], abs=2 * STEP_UM)


def test_movement_of_the_repeatable_part(found: Runout) -> None:
    """Largest 23 at 0 degrees; smallest -17 at 180 degrees, as 20 cos + 3 cos 2 has no lower point."""
    assert found.repeatable_um == pytest.approx(40.0, abs=STEP_UM)
    high_spot = found.high_spot_deg
    assert high_spot is not None
    assert min(high_spot, 360.0 - high_spot) <= 2.0


def test_orders(found: Runout) -> None:
    """Only orders 1 and 2 are there; 5.5 waves a turn are no order and must not be taken for one."""
    by_order = {each.order: each.amplitude_um for each in found.orders}
    assert by_order[1] == pytest.approx(CASE["e"], abs=STEP_UM / 2)
    assert by_order[2] == pytest.approx(CASE["a2"], abs=STEP_UM / 2)
    assert max(size for order, size in by_order.items() if order > 2) < STEP_UM


def test_movement_of_each_turn(found: Runout) -> None:
    """Full indicator movement of each turn (ISO 1101), from the closed form on a grid ten times as fine."""
    fine = 2 * np.pi * np.arange(10 * PER_TURN) / (10 * PER_TURN)
    exact = [
        float(
            np.ptp(20 * np.cos(fine) + 3 * np.cos(2 * fine) + np.cos(5.5 * (fine + 2 * np.pi * turn) + 0.7))
        )
        for turn in range(len(found.per_turn_um))
    ]
    assert list(found.per_turn_um) == pytest.approx(exact, abs=2 * STEP_UM)
    assert found.judged_um == max(found.per_turn_um)


def test_radial_value_is_about_the_least_squares_circle() -> None:
    """On a diameter the once-per-turn part is the centring of the surface and is taken off."""
    found = turned(4, "radial")
    assert found.eccentricity_um == pytest.approx(CASE["e"], abs=STEP_UM / 2)
    assert found.out_of_round_um == pytest.approx(CASE["synchronous_value_um"], abs=STEP_UM)


def test_movement_as_read_is_largest_minus_smallest() -> None:
    """ISO 1101: four readings of -10, 5, 30 and 0 um move 40 um (own numbers)."""
    own = TERMS["circular_runout"]["own_example"]
    reading = np.array(own["readings_um"], np.float64)
    trace = Trace(np.arange(4.0), reading)
    cleaned = Cleaned(trace, np.ones(4, np.bool_), (), False, 0.3, 1.0, np.zeros(4))
    found = take_apart(cleaned, Turns(None, 0, "none", np.empty(0), 0.0))
    assert found.as_read_um == own["runout_um"]
    assert found.judged_um is None
