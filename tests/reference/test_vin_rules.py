"""VIN form and check digit against the regulation.

Source: 49 CFR 565.15, Tables III to V and the sample calculation; NHTSA guide for new manufacturers (second
row); the other two are widely published examples. The check digit binds in North America; ISO 3779 does
not ask for it (from memory).
"""

import pytest

from config.errors import InputError
from config.vin import LETTER_VALUES, WEIGHTS, parse_vin, weighted_sum

# VIN, weighted sum, check digit
VALID = [
    ("1G4AH59H45G118341", 411, "4"),  # the regulation's sample: products 8 49 24 5 32 15 18 80 0 45 …
    ("1J9RP1A36A1644345", 314, "6"),  # NHTSA guide
    ("1M8GDM9AXKP042788", 351, "X"),
    ("11111111111111111", 89, "1"),
]
SAMPLE_PRODUCTS = [8, 49, 24, 5, 32, 15, 18, 80, 0, 45, 56, 7, 6, 40, 12, 12, 2]


@pytest.mark.parametrize(("vin", "total", "check"), VALID)
def test_published_numbers(vin, total, check):
    got = parse_vin(vin)
    assert weighted_sum(vin) == total
    assert (got.check_digit, got.matches, got.warning) == (check, True, None)


def test_products_of_the_regulations_sample():
    products = [
        weight * (int(c) if c.isdigit() else LETTER_VALUES[c])
        for weight, c in zip(WEIGHTS, VALID[0][0], strict=True)
    ]
    assert products == SAMPLE_PRODUCTS


@pytest.mark.parametrize(
    ("vin", "says"),
    [
        ("1G4AH59H55G118341", "check digit '5'"),  # the check digit altered
        ("1G4AH59H45G118331", "expected '1'"),  # one serial digit altered: sum 408, remainder 1
        ("1M8GDM9AIKP042788", "'I'"),
        ("1J9RP1A36A164434", "16 characters"),
        ("1J9RP1A36A16443450", "18 characters"),
        (" 1J9RP1A36A1644345", "a blank"),
        ("", "0 characters"),
        ("1J9RP1A36A164434\n", "a blank"),
        ("1J9RP1A36A164434٣", "'٣'"),  # a digit, but not one of 0 to 9
    ],
)
def test_wrong_numbers_are_refused_in_one_line(vin, says):
    with pytest.raises(InputError) as caught:
        parse_vin(vin)
    assert says in caught.value.line()
    assert "\n" not in caught.value.line()


@pytest.mark.parametrize("position", [0, 5, 6, 9, 11, 12, 13, 14, 15, 16])
def test_every_single_wrong_digit_is_caught_where_the_weight_counts(position):
    sample = VALID[0][0]
    altered = sample[:position] + str((int(sample[position]) + 1) % 10) + sample[position + 1 :]
    with pytest.raises(InputError, match="check digit"):
        parse_vin(altered)


def test_elsewhere_a_mismatch_only_warns():
    got = parse_vin("vf1aaaaa0aa000000")
    assert got.text == "VF1AAAAA0AA000000"
    assert not got.matches
    assert "North America" in got.warning
