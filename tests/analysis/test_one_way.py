"""An indicator left in its maximum or minimum mode: never a figure that is half the truth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.measure import measure_endplay, measure_runout
from analysis.one_way import one_way
from analysis.trace import FloatArray, Trace
from config.limits import parse_limit
from simulators.hand import Strokes, Turn
from simulators.recording import Recording, record

Keeps = Callable[[FloatArray], FloatArray]
MODES = [(np.maximum.accumulate, "rose", "maximum"), (np.minimum.accumulate, "fell", "minimum")]


def kept(recording: Recording, keeps: Keeps) -> Trace:
    return Trace(
        time_s=recording.time_s,
        reading_um=keeps(recording.length_nm / 1000.0),
        resolution_um=recording.resolution_nm / 1000.0,
    )


@pytest.mark.parametrize(("keeps", "went", "mode"), MODES)
def test_no_end_play_is_told_from_it(keeps: Keeps, went: str, mode: str) -> None:
    """The worn bearing has 0.24 mm; its maximum alone would show half of that, within 0.2 mm."""
    strokes = record("worn-bearing", Strokes(3), 5)
    limit = parse_limit("0.2 mm", "endplay")
    assert measure_endplay(kept(strokes, lambda um: um), limit=limit).verdict == "over"
    found = measure_endplay(kept(strokes, keeps), limit=limit)
    assert (found.play_mm, found.verdict) == (None, "not measurable")
    assert f"only ever {went}" in found.reasons[0].text
    assert f"{mode} mode" in found.reasons[0].text


@pytest.mark.parametrize(("keeps", "went", "mode"), MODES)
def test_no_run_out_is_told_from_it(keeps: Keeps, went: str, mode: str) -> None:
    turns = record("bent-flange", Turn(2.3, turn_s=3.0), 5)
    found = measure_runout(kept(turns, keeps), limit=parse_limit("0.2 mm", "runout"))
    assert found.verdict == "not measurable"
    assert any(reason.code == "one_way" and mode in reason.text for reason in found.reasons)


@pytest.mark.parametrize(
    "readings",
    [
        np.zeros(100),
        np.repeat([0.0, 1.0, 2.0, 3.0, 4.0], 20),  # a creep of four steps
        np.tile([0.0, 1.0], 50),
        np.concatenate([np.arange(60.0), [58.0], np.arange(60.0, 100.0)]),  # one step back
        np.arange(20.0),
    ],
)
def test_what_moves_both_ways_or_hardly_is_left_alone(readings: FloatArray) -> None:
    assert one_way(readings, 1.0) is None
