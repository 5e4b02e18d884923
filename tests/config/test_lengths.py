from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.errors import InputError
from config.lengths import mm_from_um, nm_from_decimal, parse_length_nm, parse_quantity, show_length


@pytest.mark.parametrize(
    ("text", "nm"),
    [
        ("0.001 mm", 1_000),
        ("0.0005 mm", 500),
        ("0.0001 in", 2_540),
        ("0.00005 in", 1_270),
        ("0.00001 in", 254),
        ("1 in", 25_400_000),  # exactly 25.4 mm: international yard and pound agreement of 1959
        ("0.002 in", 50_800),
        ('0.002"', 50_800),
        ("0.05mm", 50_000),
        ("0,05 mm", 50_000),
        ("12 um", 12_000),
        ("12 µm", 12_000),
        ("2 thou", 50_800),
        ("-3 mil", -76_200),
        ("1e-3 mm", 1_000),
        ("2 millimetres", 2_000_000),
    ],
)
def test_lengths_as_people_type_them_are_exact(text: str, nm: int) -> None:
    assert parse_length_nm(text) == nm


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0.05", "'0.05' has no unit; expected a number with a unit, such as '0.05 mm'"),
        ("", "'' is not a quantity; expected a number with a unit, such as '0.05 mm'"),
        ("mm", "'mm' is not a quantity; expected a number with a unit, such as '0.05 mm'"),
        ("nan mm", "'nan mm' is not a finite number; expected a number with a unit, such as '0.05 mm'"),
        ("inf mm", "'inf mm' is not a finite number; expected a number with a unit, such as '0.05 mm'"),
        (
            "5 miles",
            "'5 miles' has an unknown unit 'miles'; expected a number with a unit, such as '0.05 mm'",
        ),
        (
            "5 N",
            "'5 N' is not a quantity that can be given in mm; expected a number with a unit,"
            " such as '0.05 mm'",
        ),
        ("11 m", "'11 m' is longer than 10 m; expected a length at a wheel end"),
    ],
)
def test_what_is_no_length_is_refused_in_one_line(text: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_length_nm(text, where="--limit")
    assert str(caught.value) == f"--limit: {message}"


@given(st.integers(-(10**10), 10**10))
def test_every_nanometre_survives_its_text(nm: int) -> None:
    text = format(Decimal(nm).scaleb(-6), "f")
    assert parse_length_nm(f"{text} mm") == nm
    assert nm_from_decimal(Decimal(text), "mm") == nm


def test_torque_and_force_convert_exactly() -> None:
    """1 lbf = 4.4482216152605 N exactly (0.45359237 kg x 9.80665 m/s2)."""
    assert parse_quantity("1 kN", "N") == 1000
    assert parse_quantity("1 lbf", "N") == Decimal("0.45359237") * Decimal("9.80665")
    expected = Decimal("4.4482216152605") * Decimal("0.3048")
    assert parse_quantity("1 lbf*ft", "N*m") == pytest.approx(expected)


def test_what_is_shown() -> None:
    assert show_length(51_000) == "0.051 mm"
    assert show_length(51_000, step_nm=10_000) == "0.05 mm"
    assert show_length(50_800, "in", step_nm=254) == "0.00200 in"
    assert mm_from_um(50.80000000000001) == 0.0508
