"""Every scenario is what its name says for every seed; recordings carry their truth and can be repeated."""

from __future__ import annotations

import numpy as np
import pytest

from config.errors import InputError
from config.lengths import parse_length_nm
from config.settings import default_limit, load_limits
from simulators.accuracy import ACCURACY_CASES, accuracy_case
from simulators.hand import Rest, Strokes, Turn
from simulators.recording import Marks, Recording, record, second_of
from simulators.scenarios import scenario_named, scenario_names, scenarios

SEEDS = range(25)


def limits_um() -> tuple[float, float, float]:
    runout, endplay = (default_limit(kind, load_limits()) for kind in ("runout", "endplay"))
    assert runout is not None
    assert endplay is not None
    return runout.reject_nm / 1000, endplay.accept_nm / 1000, endplay.reject_nm / 1000


def test_the_five_scenarios_are_there_and_others_are_named_in_the_error() -> None:
    assert scenario_names() == ("sound-hub", "bent-flange", "worn-bearing", "warped-flange", "loose-holder")
    assert scenario_named("Sound hub").name == "sound-hub"
    with pytest.raises(InputError, match="sound-hub, bent-flange"):
        scenario_named("perfect hub")


@pytest.mark.parametrize("name", scenario_names())
def test_the_true_figures_lie_clear_of_the_limits_for_every_seed(name: str) -> None:
    runout_limit, play_good, play_bad = limits_um()
    assert runout_limit == parse_length_nm("0.002 in") / 1000
    expects = scenario_named(name).expects
    for seed in SEEDS:
        turn = record(name, Turn(2.1, "gentle", turn_s=2.0), seed).truth.turn
        largest = max(turn.fim_per_turn_um())
        play = record(name, Strokes(1), seed).truth.strokes.play_um
        if expects.runout == "within":
            assert largest < runout_limit - 8.0
        if expects.runout == "over":
            assert largest > runout_limit + 15.0
            amplitudes = {order.order: order.amplitude_um for order in turn.orders}
            ruling = max(amplitudes, key=lambda order: amplitudes[order])
            assert ruling in expects.rules
        if expects.endplay == "within":
            assert play < play_good - 15.0
        if expects.endplay == "over":
            assert play > play_bad + 15.0
        non_repeatable = turn.non_repeatable_um
        assert non_repeatable is not None
        if expects.points_to == "bearing":
            assert non_repeatable > 6.0  # large begins at a tenth of the limit, 5.1 um
        else:
            assert non_repeatable < 1.5


def test_a_loose_holder_shows_at_rest_and_no_other_does() -> None:
    for scenario in scenarios():
        for seed in SEEDS:
            moved = np.ptp(record(scenario, Rest(3.0), seed).length_nm) / 1000
            if scenario.name == "loose-holder":
                assert moved > 12.0
            else:
                assert moved <= 3.0


def test_a_recording_is_the_same_for_the_same_seed_and_another_for_another() -> None:
    one, again, other = (record("sound-hub", Turn(2.5), seed) for seed in (4, 4, 5))
    assert np.array_equal(one.length_nm, again.length_nm)
    assert np.array_equal(one.time_s, again.time_s)
    assert not np.array_equal(one.length_nm[:100], other.length_nm[:100])


def error_um(recording: Recording) -> float:
    """Root mean square of reading less truth, apart from where the indicator was zeroed."""
    off = recording.length_nm / 1000 - recording.truth.movement_um - recording.truth.holder_um
    return float(np.std(off))


@pytest.mark.parametrize("name", scenario_names())
def test_readings_follow_the_true_movement_to_noise_and_steps(name: str) -> None:
    for action in (Turn(2.5), Strokes(2)):
        recording = record(name, action, 3)
        assert recording.length_nm.dtype == np.int64
        assert error_um(recording) < 0.6


def test_marks_come_once_a_turn_and_an_angle_is_the_true_one() -> None:
    recording = record("bent-flange", Turn(4.4), 8, marks=Marks(0.0, 0.0, 0.0), with_angle=True)
    assert recording.mark is not None
    assert recording.angle_deg is not None
    angles = recording.truth.angle_deg[recording.mark]
    assert 4 <= angles.size <= 5
    np.testing.assert_allclose(angles % 360.0, 0.0, atol=4.0)
    assert np.array_equal(recording.angle_deg, recording.truth.angle_deg)


def test_missed_and_jittered_taps_have_the_share_and_spread_asked_for() -> None:
    recording = record("sound-hub", Turn(300.0, "gentle", turn_s=4.0), 1, marks=Marks())
    assert recording.mark is not None
    taps_s = recording.time_s[recording.mark]
    truth_deg = recording.truth.angle_deg
    passed_s = np.interp(
        360.0 * np.arange(1, 300) + 360.0 * (truth_deg[0] // 360.0), truth_deg, recording.time_s
    )
    off_s = np.array([tap - passed_s[np.argmin(np.abs(passed_s - tap))] for tap in taps_s])
    near = np.abs(off_s) < 0.3
    assert 0.06 < np.std(off_s[near]) < 0.11
    assert taps_s.size == pytest.approx(300 * 0.92 * 1.02, abs=18)


def test_a_second_plunger_on_the_face_sees_later_what_the_first_saw() -> None:
    recording = record("bent-flange", Turn(3.0, "gentle"), 2, second="face:90", with_angle=True)
    assert recording.length2_nm is not None
    first, second = recording.length_nm / 1000, recording.length2_nm / 1000
    turning = slice(120, -120)
    angle = recording.truth.angle_deg
    seen_before = np.interp(angle - 90.0, angle, first)
    inside = (angle > angle[0] + 100.0) & (angle < angle[-1] - 10.0)
    difference = second[inside] - seen_before[inside]
    assert np.std(difference) < 1.5
    assert np.std(second[turning] - first[turning]) > 20.0


def test_a_reference_sees_the_holder_alone() -> None:
    recording = record("loose-holder", Turn(2.5), 6, second="reference")
    assert recording.length2_nm is not None
    off = recording.length2_nm / 1000 - recording.truth.holder_um
    assert np.std(off) < 0.6
    cleaned = (recording.length_nm - recording.length2_nm) / 1000 - recording.truth.movement_um
    assert np.std(cleaned) < 0.8


def test_what_a_second_indicator_touches_is_said_in_three_ways() -> None:
    assert second_of("face:72.5").at_deg == 72.5
    for wrong in ("face", "pilot:3", "brake", ""):
        with pytest.raises(ValueError, match="reference, pilot or face"):
            second_of(wrong)


@pytest.mark.parametrize("name", ACCURACY_CASES)
def test_every_accuracy_case_gives_readings_with_truth(name: str) -> None:
    one, again = accuracy_case(name, 3), accuracy_case(name, 3)
    assert np.array_equal(one.length_nm, again.length_nm)
    assert len(one) > 50
    truth = one.truth.strokes.play_um if name.startswith("endplay") else one.truth.turn.repeatable_um
    assert truth > 0.0
    trusted = (
        name.endswith("-1um") or name.startswith(("marks", "budget", "two")) or name in ("angle", "stops")
    )
    if trusted:
        assert error_um(one) < 0.8
