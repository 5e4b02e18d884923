"""Which part the figures point to (common practice, no published source, but for the bearing rules)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.findings import (
    RunoutFigures,
    endplay_points_to,
    non_repeatable_is_large,
    ruling_orders,
    runout_points_to,
    waits_for_rest_check,
)

LIMIT_UM = 50.8
SOUND = RunoutFigures(
    verdict="within",
    repeatable_um=15.0,
    non_repeatable_um=1.0,
    amplitude_um={1: 6.0, 2: 2.0, 5: 1.0},
    noise_um=0.4,
    resolution_um=1.0,
)
BENT = replace(SOUND, verdict="over", repeatable_um=110.0, amplitude_um={1: 54.0, 2: 3.0, 5: 1.0})
WARPED = replace(SOUND, verdict="over", repeatable_um=100.0, amplitude_um={1: 6.0, 2: 40.0, 5: 9.0})
PULLED = replace(SOUND, verdict="over", repeatable_um=70.0, amplitude_um={1: 4.0, 2: 5.0, 5: 30.0})
WORN = replace(SOUND, non_repeatable_um=14.0)


def parts(figures: RunoutFigures, *, studs: int | None = 5, moved: bool | None = False) -> list[str]:
    found = runout_points_to(figures, limit_um=LIMIT_UM, studs=studs, holder_moved=moved)
    assert all(each.why.endswith(".") for each in found)
    return [each.part for each in found]


def why(figures: RunoutFigures, *, studs: int | None = 5) -> str:
    return " ".join(
        each.why for each in runout_points_to(figures, limit_um=LIMIT_UM, studs=studs, holder_moved=False)
    )


def test_a_sound_hub_points_to_nothing() -> None:
    assert parts(SOUND) == []


def test_order_1_rules_the_flange_is_not_square() -> None:
    assert parts(BENT) == ["flange"]
    assert "not square" in why(BENT)
    assert "0.108 mm" in why(BENT)


def test_order_2_rules_the_flange_is_warped() -> None:
    assert parts(WARPED) == ["flange"]
    assert "warped" in why(WARPED)
    assert "not square" not in why(WARPED)


def test_the_stud_order_rules_only_with_that_many_studs_or_when_the_count_is_not_known() -> None:
    assert "pulled at the studs" in why(PULLED, studs=5)
    assert "pulled at the studs" in why(PULLED, studs=None)
    assert "no single order rules" in why(PULLED, studs=4)


def test_two_orders_of_like_size_are_both_named() -> None:
    both = replace(BENT, amplitude_um={1: 30.0, 2: 25.0})
    assert ruling_orders(both.amplitude_um, 100.0) == (1, 2)
    assert parts(both) == ["flange", "flange"]


def test_what_does_not_repeat_is_the_bearing_or_the_holder() -> None:
    assert parts(WORN) == ["bearing"]
    assert parts(WORN, moved=True) == ["holder"]
    assert parts(WORN, moved=None) == ["bearing"]
    unsure = runout_points_to(WORN, limit_um=LIMIT_UM, studs=5, holder_moved=None)
    assert "rest check" in unsure[0].why


def test_only_what_a_rest_check_could_change_waits_for_one() -> None:
    for moved in (None, False, True):
        found = runout_points_to(WORN, limit_um=LIMIT_UM, studs=5, holder_moved=moved)
        assert [waits_for_rest_check(pointer.why) for pointer in found] == [moved is None]
    play = endplay_points_to("over", freshly_fitted=True, holder_moved=None)
    assert not any(waits_for_rest_check(pointer.why) for pointer in play)


def test_a_holder_that_moved_is_named_even_where_the_run_repeats() -> None:
    assert parts(SOUND, moved=True) == ["holder"]


@pytest.mark.parametrize(
    ("spread_um", "noise_um", "step_um", "limit_um", "large"),
    [
        (5.2, 0.3, 1.0, 50.8, True),  # above a tenth of the limit
        (5.0, 0.3, 1.0, 50.8, False),
        (5.2, 1.0, 1.0, 50.8, False),  # six noises and a step explain it
        (20.0, 3.7, 12.7, 50.8, False),  # coarse steps explain it
        (5.2, 0.3, 1.0, None, True),  # without a limit: 5 um
        (4.8, 0.3, 1.0, None, False),
    ],
)
def test_large_is_a_stated_figure(
    spread_um: float, noise_um: float, step_um: float, limit_um: float | None, large: bool
) -> None:
    figures = replace(SOUND, non_repeatable_um=spread_um, noise_um=noise_um, resolution_um=step_um)
    assert non_repeatable_is_large(figures, limit_um) is large


def test_over_by_what_does_not_repeat_does_not_blame_the_flange() -> None:
    loose = replace(SOUND, verdict="over", repeatable_um=12.0, non_repeatable_um=60.0)
    assert parts(loose) == ["bearing"]


def test_end_play_over_is_the_bearing_and_after_a_fresh_fitting_also_the_nut() -> None:
    worn = endplay_points_to("over", freshly_fitted=False, holder_moved=False)
    assert [each.part for each in worn] == ["bearing"]
    assert "never opened or used again" in worn[0].why
    fresh = endplay_points_to("over", freshly_fitted=True, holder_moved=None)
    assert [each.part for each in fresh] == ["bearing", "hub nut"]
    assert "torque" in fresh[1].why


@pytest.mark.parametrize("verdict", ["within", "undecided", "not measurable", None])
def test_end_play_that_is_not_over_blames_no_part_but_a_holder_that_moved(verdict: object) -> None:
    assert endplay_points_to(verdict, freshly_fitted=True, holder_moved=False) == ()  # type: ignore[arg-type]
    moved = endplay_points_to(verdict, freshly_fitted=True, holder_moved=True)  # type: ignore[arg-type]
    assert [each.part for each in moved] == ["holder"]
