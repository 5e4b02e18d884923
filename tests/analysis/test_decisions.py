"""Four wheel ends decided: worn bearing, bent flange, bore out of round, good hub; and what stops each.

The rules are common practice, no published source.
"""

import pytest

from analysis.decisions import (
    AGAIN_FINER,
    FOUR_DIRECTIONS,
    MEASURE_PLAY,
    MEASURE_RUNOUT,
    MOVE_HOLDER,
    NUT_FIRST,
    Seen,
    decide,
)
from analysis.results import Counts, Judged, PointsTo

SMOOTH = {"turning": "smooth", "seal": "sound", "nut_torqued": "yes"}


def result(verdict, *points):
    return Judged(
        readings=Counts(used=1, rejected=0), resolution_mm=0.001, uncertainty_mm=None, limit_mm=None,
        verdict=verdict, reasons=(), points_to=tuple(PointsTo(part=p, why=w) for p, w in points),
    )  # fmt: skip


def actions(seen):
    return {decision.part: decision.action for decision in decide(seen)}


def by_part(seen, part):
    return next(decision for decision in decide(seen) if decision.part == part)


def test_good_hub_is_let_alone():
    got = actions(Seen({**SMOOTH, "replace": "no"}, result("within"), result("within")))
    assert set(got.values()) == {"keep"}


def test_worn_bearing():
    seen = Seen(SMOOTH, result("over", ("bearing", "End play.")), result("within"))
    assert actions(seen)["bearing"] == "replace"
    assert actions(seen)["flange"] == "keep"


@pytest.mark.parametrize(
    ("step", "answer"), [("turning", "rough"), ("seal", "grease lost"), ("seal", "damaged")]
)
def test_rough_or_leaking_bearing_goes_whatever_the_numbers_say(step, answer):
    seen = Seen({**SMOOTH, step: answer}, result("within"), result("within"))
    assert actions(seen)["bearing"] == "replace"


def test_bent_flange_leaves_the_bearing():
    seen = Seen(SMOOTH, result("within"), result("over", ("flange", "Order 1.")))
    assert (actions(seen)["flange"], actions(seen)["bearing"]) == ("replace", "keep")


def test_bore_out_of_round_keeps_the_bearing_out():
    got = by_part(Seen({"replace": "yes"}, bore=result("over", ("knuckle", "Oval."))), "knuckle")
    assert got.action == "replace"
    assert "must not go in" in " ".join(got.reasons)


def test_play_without_the_nut_at_its_torque_means_nothing():
    seen = Seen({**SMOOTH, "nut_torqued": "no"}, result("within"), result("within"))
    got = by_part(seen, "bearing")
    assert (got.action, got.next_measurement) == ("undecided", NUT_FIRST)
    assert actions(seen)["hub nut"] == "put right"


def test_after_fitting_the_nut_comes_before_the_bearing():
    play = result("over", ("bearing", "Loose."), ("hub nut", "Not at its torque."))
    seen = Seen(SMOOTH, play, result("within"), after_repair=True)
    assert (actions(seen)["bearing"], actions(seen)["hub nut"]) == ("undecided", "put right")


@pytest.mark.parametrize(
    ("seen", "part", "measurement"),
    [
        (Seen(SMOOTH, result("undecided"), result("within")), "bearing", AGAIN_FINER),
        (Seen(SMOOTH, result("within"), result("undecided")), "flange", AGAIN_FINER),
        (Seen(SMOOTH, result("within"), result("over")), "flange", MOVE_HOLDER),
        (Seen({"replace": "yes"}), "knuckle", FOUR_DIRECTIONS),
    ],
)
def test_undecided_proposes_the_next_measurement(seen, part, measurement):
    got = by_part(seen, part)
    assert (got.action, got.next_measurement) == ("undecided", measurement)


def test_nothing_known_is_never_good():
    got = actions(Seen({}))
    assert got["bearing"] == got["flange"] == got["hub nut"] == "undecided"


@pytest.mark.parametrize(
    ("step", "answer", "part", "action"),
    [
        ("nut", "old, one-use", "hub nut", "replace"),
        ("torque_tool", "impact wrench", "hub nut", "put right"),
        ("retaining_ring", "old", "retaining ring", "replace"),
        ("groove", "yes", "flange", "replace"),
        ("pressed_in", "on the inner race", "bearing", "replace"),
        ("flange_in", "inner race not supported", "bearing", "replace"),
    ],
)
def test_wrong_steps_reach_the_decision(step, answer, part, action):
    seen = Seen(
        {**SMOOTH, "replace": "yes", step: answer}, result("within"), result("within"), after_repair=True
    )
    assert actions(seen)[part] == action


def test_a_ring_that_does_not_fit_must_not_go_in():
    got = by_part(Seen({"turning": "smooth"}, misfit="too loose"), "bearing")
    assert (got.action, got.reasons) == ("replace", ("The new one must not go in: too loose.",))


def test_after_the_repair_the_old_bearings_faults_count_no_more():
    """The bearing found turned roughly; the new one turns smoothly and has no end play over its limit."""
    answers = {"turning": "rough", "seal": "damaged", "turning_after": "smooth", "torque": "180 N m"}
    fresh = Seen(answers, endplay=result("within"), runout=result("within"), after_repair=True)
    assert by_part(fresh, "bearing").action == "keep"
    rough = Seen({**answers, "turning_after": "rough"}, after_repair=True)
    assert by_part(rough, "bearing").action == "replace"


def test_what_was_not_measured_is_measured_next():
    assert by_part(Seen(SMOOTH), "bearing").next_measurement == MEASURE_PLAY
    assert by_part(Seen(SMOOTH, result("within")), "bearing").next_measurement == MEASURE_RUNOUT
    assert (
        by_part(Seen(SMOOTH, result("undecided"), result("within")), "bearing").next_measurement
        == AGAIN_FINER
    )
