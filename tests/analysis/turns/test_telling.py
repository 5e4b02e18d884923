"""What is told of slow motion: of a worn bearing's cage, not of a sound one's."""

from __future__ import annotations

import pytest

from analysis.cleaning import clean
from analysis.turns import find_turns
from config.indicators import indicator_named, load_indicators
from simulators.hand import Turn
from simulators.recording import Marks, record
from tests.recordings import trace_of


@pytest.mark.parametrize(("scenario", "told"), [("sound-hub", False), ("worn-bearing", True)])
@pytest.mark.parametrize("seed", [6, 12, 13])
def test_only_a_worn_bearing_is_told_of_its_cage(scenario: str, told: bool, seed: int) -> None:
    """The cage of a sound hub wobbles by 0.2 to 0.5 um here, that of a worn one by 3.4 to 4."""
    recording = record(
        scenario,
        Turn(3.4, "gentle", turn_s=4.2),
        seed,
        indicator=indicator_named("bench", load_indicators()),
        marks=Marks(jitter_s=0.06, missed=0.0, doubled=0.0),
    )
    notes = find_turns(clean(trace_of(recording))).notes
    assert ("slow_motion" in {note.code for note in notes}) is told
