"""Torque as typed. 1 lbf ft = 0.3048 m x 4.4482216152605 N = 1.3558179483314004 N m exactly (NIST SP 811)."""

from decimal import Decimal

import pytest

from config.errors import InputError
from config.torque import compare_torque, parse_torque_n_m


@pytest.mark.parametrize("text", ["100 lbf ft", "100 ft-lb", "100 lb-ft", "100 lbf*ft", "100FT-LB"])
def test_pound_force_feet_are_exact(text):
    assert parse_torque_n_m(text) == Decimal("135.58179483314004")


@pytest.mark.parametrize("text", ["180 N m", "180Nm", "180 nm", "180 N·m", "180,0 N*m", "180 n-m"])
def test_newton_metres(text):
    assert parse_torque_n_m(text) == 180


@pytest.mark.parametrize(
    "text", ["180", "180 mm", "20 kN", "x", "", "NaN N m", "-180 N m", "18000 N m", "2 N m"]
)
def test_what_is_no_hub_nut_torque_is_refused_in_one_line(text):
    with pytest.raises(InputError) as caught:
        parse_torque_n_m(text, where="hub nut")
    assert caught.value.line().startswith("hub nut: ")
    assert "\n" not in caught.value.line()


@pytest.mark.parametrize(
    ("reached", "asked", "state"),
    [
        ("180", "180", "at torque"),
        ("186", "180", "at torque"),
        ("150", "180", "below"),
        ("220", "180", "above"),
        ("133", "180", "other unit"),  # 180 N m is 133 lbf ft: 133 was set on the N m scale
        ("244", "180", "other unit"),  # 180 was set on the lbf ft scale
    ],
)
def test_reached_against_asked(reached, asked, state):
    got = compare_torque(Decimal(reached), Decimal(asked))
    assert got.state == state
    assert got.good == (state == "at torque")
