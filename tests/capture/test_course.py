"""The course of a run, told as a story of what is seen."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest

from analysis.measure import measure_runout
from analysis.trace import Trace
from analysis.values import Setup
from capture.course import Course, Seen
from capture.measuring import likely_in, seen_in
from config.indicators import indicator_named, load_indicators
from simulators.bench import SimulatedBench
from simulators.hand import Rest, Turn
from simulators.scenarios import build, scenario_named


def story(course: Course, *seen: Seen) -> list[str]:
    return [course.step(moment).state for moment in seen]


def at(now_s: float, moving: bool | None = None, count: float | None = None, **more: object) -> Seen:
    return Seen(now_s, 0.0, moving, count, **more)  # type: ignore[arg-type]


def test_a_run_out_starts_on_motion_and_ends_when_the_hub_rests_after_enough() -> None:
    course = Course("runout", 3.0)
    states = story(
        course,
        Seen(0.0),
        at(1.0, False),
        at(2.0, True),
        at(6.0, True, 1.2),
        at(7.0, False, 1.4),
        at(8.0, True, 2.0),
        at(12.0, True, 3.1),
        at(13.0, False, 3.1),
    )
    expected = ["waiting", "waiting", "waiting", "moving", "moving", "at rest", "moving", "enough", "done"]
    assert states == expected[1:]


def test_a_run_out_ends_after_a_further_quarter_too() -> None:
    course = Course("runout", 3.0)
    assert story(course, at(1.0, True), at(9.0, True, 3.2), at(9.5, True, 3.3)) == [
        "moving",
        "enough",
        "done",
    ]


def test_the_sentence_says_how_far_it_is() -> None:
    assert "1.2 of 3 turns" in Course("runout", 3.0).step(at(5.0, True, 1.2)).say


def test_end_play_counts_strokes_and_ends_when_the_hub_is_let_go() -> None:
    course = Course("endplay", 3.0)
    states = story(course, at(1.0, False), at(2.0, True), at(5.0, False, 1), at(9.0, True, 3))
    assert states == ["waiting", "moving", "at rest", "enough"]
    assert story(course, at(9.1, False, 3), at(9.6, False, 3)) == ["enough", "done"]


def test_a_technician_who_goes_on_after_enough_is_not_waited_for() -> None:
    course = Course("endplay", 1.0)
    assert story(course, at(1.0, True), at(4.0, True, 1), at(12.5, True, 4)) == ["moving", "enough", "done"]


def test_a_hub_that_is_left_alone_ends_the_run() -> None:
    course = Course("runout", 3.0)
    states = story(course, at(1.0, True), at(2.0, False, 0.4), at(31.0, False, 0.4), at(32.5, False, 0.4))
    assert states == ["moving", "at rest", "at rest", "done"]


def test_a_bent_flange_let_go_after_enough_turns_is_not_waited_for_half_a_minute() -> None:
    """Its readings alone allow 3.4 turns and 1.7 alike, so that never enough of them are certain."""
    indicator = indicator_named("bench", load_indicators())
    bench = SimulatedBench(build(scenario_named("bent-flange"), 1, indicator), 1)
    bench.do(Rest(1.0))
    deed = bench.do(Turn(3.4, "gentle", turn_s=4.0))
    read = bench.until(deed.ends_s)
    trace = Trace(np.asarray(read.time_s), np.asarray(read.length_nm) / 1000.0, resolution_um=1.0)
    result = measure_runout(trace, setup=Setup(permissible_error_um=3.0, asked_turns=3))
    count, likely = seen_in(result), likely_in(result)
    assert count is not None
    assert count < 3.0
    assert likely == pytest.approx(3.4, abs=0.1)  # what the simulated hand did
    course = Course("runout", 3.0)
    moments = (at(2.0, True), at(22.0, False, count, likely=likely), at(29.5, False, count, likely=likely))
    assert story(course, *moments) == ["moving", "at rest", "at rest"]  # it may be a pause
    assert story(course, at(30.5, False, count, likely=likely)) == ["done"]


def test_without_any_motion_it_waits_for_minutes_and_then_ends() -> None:
    course = Course("runout", 3.0)
    assert story(course, at(200.0, False), at(301.0, False)) == ["waiting", "done"]


def test_without_any_reading_it_waits_and_says_why() -> None:
    course = Course("rest", 0.0)
    step = course.step(Seen(5.0, trouble="bench: no such port"))
    assert (step.state, step.say) == ("waiting", "bench: no such port")
    assert course.step(Seen(301.0)).state == "done"


def test_an_indicator_that_falls_silent_does_not_end_the_run_and_is_told() -> None:
    course = Course("runout", 3.0)
    course.step(at(1.0, True, 0.5))
    step = course.step(at(60.0, None, 0.5, trouble="bench: unplugged"))
    assert (step.state, step.say) == ("at rest", "bench: unplugged")


def test_a_rest_check_ends_after_three_seconds_of_readings() -> None:
    course = Course("rest", 0.0)
    moments = [Seen(now, 2.0, False) for now in (2.0, 4.9, 5.1)]
    assert story(course, *moments) == ["at rest", "at rest", "done"]


def test_a_plain_recording_goes_on() -> None:
    assert story(Course("trace", 0.0), at(1.0, True), at(999.0, False)) == ["moving", "at rest"]


def test_a_bore_ends_when_the_gauge_is_out_after_enough_places() -> None:
    course = Course("bore", 8.0)
    moments = (at(1.0, False), at(3.0, True, 0), at(20.0, True, 4), at(40.0, True, 8), at(42.0, False, 8))
    states = story(course, *moments, at(42.5, False, 8))
    assert states == ["waiting", "moving", "moving", "enough", "enough", "done"]


def test_a_bore_of_unknown_places_goes_on_until_it_is_stopped() -> None:
    course = Course("bore", inf)
    assert course.step(at(3.0, True, 40)).state == "moving"
    assert "40 places seen" in course.step(at(4.0, True, 40)).say
    assert course.step(at(90.0, False, 40)).state == "at rest"
    assert course.step(at(130.0, False, 40)).state == "done"  # nobody moves it any more
