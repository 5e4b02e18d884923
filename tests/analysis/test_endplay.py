"""End play from strokes, against generated truth: the simulator's and that of `strokes.py`."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.endplay import EndPlay, find_strokes
from analysis.still_cleaning import clean_still
from analysis.trace import Trace
from analysis.uncertainty import combine
from simulators.bench import Workshop
from simulators.faults import Rezero
from simulators.hand import Strokes
from simulators.holder import Holder
from simulators.hub import Bearing, Hub
from simulators.indicator import Gauge
from simulators.recording import record
from tests.analysis.strokes import Pushing, push_and_pull
from tests.recordings import trace_of

SEEDS = range(60)


def play_of(trace: Trace) -> EndPlay:
    return find_strokes(clean_still(trace))


def levels_held(levels_um: list[float], *, step_um: float = 1.0, each: int = 20) -> Trace:
    """Levels held one after another at 20 readings/s, without moves between."""
    reading = np.repeat(np.asarray(levels_um, dtype=np.float64), each)
    return Trace(np.arange(reading.size) * 0.05, reading, resolution_um=step_um)


def workshop(seed: int, step_um: float) -> Workshop:
    """A simulated hub with a play and an indicator of this step, a holder that drifts a little."""
    rng = np.random.default_rng([seed, 5])
    gauge = Gauge(
        step_nm=round(step_um * 1000),
        rate_hz=float(rng.choice([8.0, 10.0, 20.0, 50.0])),
        noise_um=float(rng.uniform(0.2, 0.5)),
    )
    bearing = Bearing(
        clearance_um=float(rng.uniform(10.0, 150.0)),
        give_um=float(rng.uniform(0.8, 2.0)),
        hysteresis_um=float(rng.uniform(0.2, 0.8)),
    )
    return Workshop(
        hub=Hub(bearing=bearing), gauge=gauge, holder=Holder(creep_um_per_s=float(rng.normal(0.0, 0.03)))
    )


@pytest.mark.parametrize(
    ("step_um", "within_um"),
    [
        (1.0, 1.0),
        (10.0, 8.0),  # two levels on coarse steps allow no better than 0.8 of a step
        (12.7, 0.8 * 12.7),
    ],
)
@pytest.mark.parametrize("source", ["simulator", "levels"])
def test_play_is_right_and_its_interval_is_honest(source: str, step_um: float, within_um: float) -> None:
    """95 in 100 within what the steps allow, and covered as often as the interval claims (60 seeds:
    93 to 97.5 % is 56 to 59 of them; what chance leaves of it is 52 to 60)."""
    wrong, covered, strokes = [], 0, 0
    for seed in SEEDS:
        if source == "levels":
            pushed = push_and_pull(seed, step_um)
            trace, truth = pushed.trace, pushed.play_um
        else:
            zero_um = float(np.random.default_rng([seed, 9]).uniform(-300.0, 300.0))
            recording = record(workshop(seed, step_um), Strokes(3), seed, faults=[Rezero(0.1, zero_um)])
            trace, truth = trace_of(recording), recording.truth.strokes.play_um
        found = play_of(trace)
        if found.play_um is None:
            assert truth < 1.5 * step_um  # less than the steps tell apart
            continue
        wrong.append(abs(found.play_um - truth))
        covered += wrong[-1] <= combine(found.components).expanded_um
        strokes += len(found.strokes) == 3
    assert np.quantile(wrong, 0.95) <= within_um
    assert covered >= 52
    assert strokes >= 54


@pytest.mark.parametrize("rate_hz", [8.0, 50.0])
def test_short_holds(rate_hz: float) -> None:
    """Holds of half a second, four readings each at the slowest rate."""
    how = Pushing(rate_hz=(rate_hz,), hold_s=(0.5, 0.6), scatter_um=(0.0, 0.2), creep_um=(0.0, 0.3))
    wrong, strokes = [], 0
    for seed in range(30):
        pushed = push_and_pull(seed, 1.0, how)
        found = play_of(pushed.trace)
        assert found.play_um is not None
        strokes += len(found.strokes) == 3
        wrong.append(abs(found.play_um - pushed.play_um))
    assert strokes >= 28
    assert np.quantile(wrong, 0.95) < 1.0


def test_the_hub_let_go_between_is_neither_pushed_nor_pulled() -> None:
    own = 25.0
    found = play_of(levels_held([own, 0.0, own, 60.0, own, 0.0, own, 60.0, own, 0.0, own, 60.0, own]))
    assert [(stroke.pushed_um, stroke.pulled_um) for stroke in found.strokes] == [(0.0, 60.0)] * 3
    assert found.play_um == pytest.approx(60.0)


def test_a_pull_let_go_by_its_elastic_part_does_not_lower_the_level() -> None:
    """Let go, the hub stays within its clearance and only the elastic deflection goes back."""
    found = play_of(levels_held([30.0, 0.0, 4.0, 60.0, 56.0, 0.0, 4.0, 60.0, 56.0, 0.0, 4.0, 60.0, 56.0]))
    assert found.play_um == pytest.approx(60.0, abs=0.1)
    assert len(found.strokes) == 3


def test_an_incomplete_first_stroke_is_set_aside_and_said() -> None:
    found = play_of(levels_held([0.0, 35.0, 0.0, 60.0, 0.0, 60.0, 0.0, 60.0]))
    assert found.play_um == pytest.approx(60.0, abs=0.1)
    assert "stroke_set_aside" in [note.code for note in found.notes]


def test_a_drifting_holder_does_not_enter_the_play() -> None:
    """Levels on a straight drift of 8 um from first to last: the fit is exact, the plain mean is not."""
    drift = np.linspace(0.0, 8.0, 6)
    levels = (np.array([0.0, 50.0] * 3) + drift).tolist()
    found = play_of(levels_held(levels, step_um=0.1))
    assert found.play_um == pytest.approx(50.0, abs=0.01)
    assert found.zero_return_um == pytest.approx(4 * 8.0 / 5.0, abs=0.01)


def test_a_slip_of_the_holder_is_named_taken_off_and_paid_for() -> None:
    steady = levels_held([20.0, 0.0, 50.0, 0.0, 50.0, 0.0, 50.0, 20.0])
    slipped = replace(steady, reading_um=steady.reading_um + 30.0 * (steady.time_s >= 4.0))
    found = play_of(slipped)
    note = next(note for note in found.notes if note.code == "holder_slipped")
    assert "+0.0300 mm" in note.text
    assert found.play_um == pytest.approx(50.0, abs=0.1)


def test_a_slip_larger_than_the_play_never_makes_a_confident_wrong_figure() -> None:
    for seed in range(40):
        pushed = push_and_pull(seed, 1.0)
        rng = np.random.default_rng([seed, 77])
        at_s = rng.uniform(0.3, 0.8) * pushed.trace.time_s[-1]
        slip_um = rng.choice([-1.0, 1.0]) * rng.uniform(12.0, 60.0)
        shifted = pushed.trace.reading_um + np.round(slip_um) * (pushed.trace.time_s > at_s)
        found = play_of(replace(pushed.trace, reading_um=shifted))
        if found.play_um is not None:
            off_um = abs(found.play_um - pushed.play_um)
            assert off_um <= max(1.5, combine(found.components).expanded_um), seed


def test_creep_is_told_in_the_direction_of_the_hand() -> None:
    time_s = np.arange(0.0, 12.0, 0.05)
    within = time_s % 2.0
    side = np.where(time_s % 4.0 < 2.0, -1.0, 1.0)
    reading = side * (30.0 + 0.75 * within)
    found = play_of(Trace(time_s, reading, resolution_um=0.1))
    assert found.creep_um == pytest.approx(0.75 * 1.95, abs=0.1)


def test_the_same_answer_upside_down() -> None:
    """An indicator on the other side of the flange reads with the other sign."""
    trace = push_and_pull(4, 1.0).trace
    there, back = play_of(trace), play_of(replace(trace, reading_um=-trace.reading_um))
    assert there.play_um == pytest.approx(back.play_um)


def test_single_spikes_are_set_aside_first() -> None:
    trace = levels_held([0.0, 50.0] * 3)
    reading = trace.reading_um.copy()
    reading[[7, 33, 95]] += [400.0, -300.0, 250.0]
    cleaned = clean_still(replace(trace, reading_um=reading))
    assert int((~cleaned.kept).sum()) == 3
    assert [note.code for note in cleaned.notes] == ["spikes"]
    assert find_strokes(cleaned).play_um == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("trace", "code"),
    [
        (levels_held([5.0, 5.0]), "no_motion"),
        (replace(levels_held([0.0] * 10), reading_um=np.linspace(0.0, 300.0, 200)), "no_rest_levels"),
        (
            replace(levels_held([0.0] * 5), reading_um=np.r_[np.zeros(30), np.linspace(1.0, 300.0, 70)]),
            "one_level",
        ),
        (levels_held([5.0, 30.0, 83.0, 109.0, 119.0, 92.0, 67.0]), "levels_disagree"),
    ],
)
def test_what_cannot_be_measured_says_why(trace: Trace, code: str) -> None:
    found = play_of(trace)
    assert (found.play_um, found.strokes) == (None, ())
    assert [note.code for note in found.notes] == [code]


def test_one_stroke_is_measured_but_its_doubt_is_large() -> None:
    there = levels_held([0.0, 50.0])
    # One reading a step back: without any the indicator might be in its maximum mode.
    reading = there.reading_um.copy()
    reading[3] -= 1.0
    found = play_of(replace(there, reading_um=reading))
    assert found.play_um == pytest.approx(50.0, abs=0.5)
    assert (found.repeatability_um, found.zero_return_um) == (None, None)
    assert combine(found.components).expanded_um > 5.0
    assert "few_strokes" in [note.code for note in found.notes]


def test_uncertainty_of_perfectly_repeated_coarse_levels_is_that_of_two_roundings() -> None:
    found = play_of(levels_held([0.0, 50.0] * 3, step_um=10.0))
    # Each level lies on its step and not within 0.02 of an edge: there some readings would flicker.
    assert combine(found.components).standard_um == pytest.approx(0.96 * 10.0 / math.sqrt(6), rel=0.01)


def test_a_level_that_flickers_between_two_steps_lies_at_their_edge() -> None:
    """At 45 um with noise of 0.4 um steps of 10 um read 40 and 50 by chance: their mean says nothing."""
    rng = np.random.default_rng(3)
    off = []
    for _ in range(30):
        trace = levels_held([0.0, 45.1] * 3, step_um=10.0)
        exact = trace.reading_um + rng.normal(0.0, 0.4, len(trace))
        found = play_of(replace(trace, reading_um=10.0 * np.round(exact / 10.0)))
        assert found.play_um is not None
        off.append(found.play_um - 45.1)
    assert np.max(np.abs(off)) < 1.5  # the mean of the readings is off by up to 5 um
