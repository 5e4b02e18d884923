"""End play on measured records of lost motion, by others and for another purpose.

Source: github anderssandstrom/ecmc_bifrost_slits_sat at 2676746 (no licence stated, so the records are read
from a data folder beside the repository and never copied). Moves of 0.5 mm out and back, ten times, with
rests of 5 to 15 s; and ten cycles a target of a dial of 0.5 um steps, copied by hand. The report's own
figures: lost motion 64, 50.5 and 17.5 um; level gap 0.49956 to 0.49973 mm (medians, by other code).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from analysis.measure import measure_endplay
from analysis.trace import Trace
from analysis.values import Setup

FOLDER = Path(__file__).parents[2].parent / "shared" / "datasets" / "lost_motion"
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="the measured records are not here")


@pytest.mark.parametrize("name", ["pos20", "pos40", "pos60", "pos20_above", "pos40_above", "pos60_above"])
def test_rest_levels_of_an_encoder(name: str) -> None:
    record = np.loadtxt(FOLDER / f"plateaus_{name}.csv", delimiter=",", comments="#", skiprows=3)
    # A shaft encoder has no plunger that could stand askew.
    no_plunger = Setup(plunger_angle_standard_deg=0.0)
    result = measure_endplay(Trace(record[:, 0], 1000.0 * record[:, 1]), setup=no_plunger)
    assert len(result.strokes) == 10
    assert result.play_mm is not None
    assert 0.49956 - 0.00005 <= result.play_mm <= 0.49973 + 0.00005
    assert result.repeatability_mm is not None
    assert result.repeatability_mm < 0.0001
    assert result.uncertainty_mm is not None
    assert result.uncertainty_mm.expanded < 0.0001


def held(levels_mm: list[float]) -> Trace:
    """Copied levels as a dial would have shown them: each for one second."""
    reading = np.repeat(1000.0 * np.asarray(levels_mm), 10)
    return Trace(np.arange(reading.size) * 0.1, reading, resolution_um=0.5)


def copied(approach: str, target: str) -> list[dict[str, str]]:
    with (FOLDER / "dial_readings.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return [row for row in rows if row["approach"] == approach and row["target_mm"] == target]


@pytest.mark.parametrize(("target", "lost_um"), [("20.0", 64.0), ("40.0", 50.5), ("60.0", 17.5)])
def test_lost_motion_between_the_two_approaches(target: str, lost_um: float) -> None:
    sides = [
        [float(row["reading_at_target_mm"]) for row in copied(side, target)] for side in ("below", "above")
    ]
    result = measure_endplay(held([level for pair in zip(*sides, strict=True) for level in pair]))
    assert len(result.strokes) >= 9
    assert result.play_mm is not None
    assert 1000.0 * result.play_mm == pytest.approx(lost_um, abs=1.0)


@pytest.mark.parametrize(
    ("target", "code", "times_s"),
    [
        ("20.0", "hold_stands_out", ("8.4 s", "16.5 s")),  # 0.005 written for 0.0005, cycles 5 and 9
        ("60.0", "stroke_set_aside", ("1 level",)),  # 39.7160 written for 39.4160, cycle 2
    ],
)
def test_slips_of_the_pen_are_named(target: str, code: str, times_s: tuple[str, ...]) -> None:
    levels = [
        float(row[column])
        for row in copied("below", target)
        for column in ("reading_at_target_mm", "reading_at_retreat_mm")
    ]
    texts = [reason.text for reason in measure_endplay(held(levels)).reasons if reason.code == code]
    assert len(texts) == len(times_s)
    assert all(time in text for time, text in zip(times_s, texts, strict=True))
