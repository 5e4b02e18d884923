"""Mean and standard deviation against NIST StRD certified values (univariate summary statistics).

Source of the data: nist_univariate_certified.csv with nist_lew.csv and nist_mavro.csv; the value rules of
NumAcc2 and NumAcc3 are from memory and reproduce the certified values.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from analysis.uncertainty import mean_and_deviation, repeatability

HERE = Path(__file__).parent

# Digits that must agree. Double precision holds NumAcc3 and NumAcc4 only to about 9.5 and 8.3 digits of
# their standard deviation: the values themselves are rounded when they are read.
DIGITS = {"Lew": 14.0, "Mavro": 12.5, "NumAcc1": 15.0, "NumAcc2": 14.0, "NumAcc3": 9.3, "NumAcc4": 8.1}


def rows(name: str) -> list[dict[str, str]]:
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


CERTIFIED = {row["dataset"]: row for row in rows("nist_univariate_certified.csv")}


def values(name: str) -> list[float]:
    match name:
        case "Lew":
            return [float(row["deflection"]) for row in rows("nist_lew.csv")]
        case "Mavro":
            return [float(row["transmittance"]) for row in rows("nist_mavro.csv")]
        case "NumAcc1":
            return [10000001.0, 10000003.0, 10000002.0]
        case "NumAcc2":
            return [1.2, *[1.1, 1.3] * 500]
        case "NumAcc3":
            return [1000000.2, *[1000000.1, 1000000.3] * 500]
        case _:
            return [10000000.2, *[10000000.1, 10000000.3] * 500]


def agreeing_digits(found: float, certified: float) -> float:
    """The log relative error of NIST's test programme, 15 where nothing differs."""
    if found == certified:
        return 15.0
    return min(15.0, -math.log10(abs(found - certified) / abs(certified)))


@pytest.mark.parametrize("name", list(DIGITS))
def test_mean_and_deviation(name: str) -> None:
    data = values(name)
    assert len(data) == int(CERTIFIED[name]["n"])
    mean, deviation = mean_and_deviation(data)
    assert agreeing_digits(mean, float(CERTIFIED[name]["mean"])) >= 14.9
    assert agreeing_digits(deviation, float(CERTIFIED[name]["stdev_n_minus_1"])) >= DIGITS[name]


@pytest.mark.parametrize("name", list(DIGITS))
def test_repeatability_is_the_deviation_of_the_mean(name: str) -> None:
    data = values(name)
    part = repeatability(data, "readings")
    assert part is not None
    certified = float(CERTIFIED[name]["stdev_n_minus_1"]) / math.sqrt(len(data))
    assert agreeing_digits(part.standard_um, certified) >= DIGITS[name] - 0.3
    assert part.degrees_of_freedom == len(data) - 1
