"""Between two passings of the index mark lies a turn: the live count knows it at once."""

from __future__ import annotations

import pytest

from analysis.record import RunRef
from analysis.values import Setup
from capture.messages import IndicatorState, Message, RunRequest
from capture.reading import Reading
from capture.run import Run
from config.clock import NS_PER_S, SteppedClock
from config.indicators import load_indicators


def a_run(told: list[Message]) -> Run:
    indicator = load_indicators()[0]
    state = IndicatorState(indicator=indicator.name, state="live", resolution_nm=indicator.resolution_nm)
    return Run(
        RunRef("0", 1),
        RunRequest(kind="runout", turns=3),
        indicator,
        None,
        Setup(),
        started_t_ns=0,
        clock=SteppedClock(),
        state_of=lambda: state,
        publish=told.append,
        warnings=(),
    )


@pytest.mark.parametrize(
    ("taps_s", "turns"),
    [
        ((), None),
        ((2.0,), None),
        ((2.0, 6.0), 1.0),
        ((2.0, 2.3, 6.0, 6.2, 11.0), 2.0),  # two of them tapped twice
    ],
)
def test_the_live_count_follows_the_taps(taps_s: tuple[float, ...], turns: float | None) -> None:
    run = a_run([])
    for tap_s in taps_s:
        run.mark(round(tap_s * NS_PER_S))
    assert run._seen_so_far() == turns


@pytest.mark.parametrize(
    ("taps_s", "most"), [((), 3.3), ((2.0,), 3.3), ((2.0, 6.0), 2.9), ((2.0, 6.0, 10.0), 3.3)]
)
def test_no_look_counts_more_turns_than_the_taps_allow(taps_s: tuple[float, ...], most: float) -> None:
    """A demo ended after two turns: two looks had laid two turns between two taps that had one."""
    run = a_run([])
    run.take([Reading(t_ns=n * NS_PER_S, length_nm=1000 * n, unit="mm", raw="") for n in range(12)])
    for tap_s in taps_s:
        run.mark(round(tap_s * NS_PER_S))
    for _ in range(2):
        run._counted(3.3)
    assert run._seen_so_far() == pytest.approx(most)
