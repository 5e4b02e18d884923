"""What counts as the same figure when another computer works a pack out again."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.claim.compare import differences

DOUBT = "The readings allow 3.62 turns; other counts that they allow: {}."


@pytest.mark.parametrize(
    ("stated", "anew"),
    [
        (
            {"turns": {"alternatives": [3.64]}},
            {"turns": {"alternatives": [3.65]}},
        ),  # 3.645, rounded both ways
        ({"reasons": [{"text": DOUBT.format("3.64")}]}, {"reasons": [{"text": DOUBT.format("3.65")}]}),
        ({"reasons": [{"text": "0.1 s, 9.99 mm"}]}, {"reasons": [{"text": "0.2 s, 10.00 mm"}]}),
        ({"play_mm": 0.05}, {"play_mm": 0.0500009}),
        ({"text": "no figure"}, {"text": "no figure"}),
    ],
)
def test_rounding_the_other_way_is_no_difference(stated: Any, anew: Any) -> None:
    assert list(differences(stated, anew)) == []
    assert list(differences(anew, stated)) == []


@pytest.mark.parametrize(
    ("stated", "anew"),
    [
        ({"turns": {"alternatives": [3.64]}}, {"turns": {"alternatives": [3.66]}}),
        ({"turns": {"alternatives": [3.64]}}, {"turns": {"alternatives": []}}),
        ({"turns": {"total": 3.64}}, {"turns": {"total": 3.65}}),  # stated unrounded
        ({"alternatives": 3.64}, {"alternatives": 3.65}),
        ({"reasons": [{"text": DOUBT.format("3.64")}]}, {"reasons": [{"text": DOUBT.format("3.66")}]}),
        ({"reasons": [{"text": DOUBT.format("3.6")}]}, {"reasons": [{"text": DOUBT.format("3.61")}]}),
        ({"reasons": [{"text": "Only 2 strokes."}]}, {"reasons": [{"text": "Only 3 strokes."}]}),  # a count
        ({"reasons": [{"text": "worn"}]}, {"reasons": [{"text": "worm"}]}),
        ({"reasons": [{"code": "gap"}]}, {"reasons": [{"code": "hop"}]}),
        ({"play_mm": 0.050}, {"play_mm": 0.051}),
        ({"play_mm": None}, {"play_mm": 0.0}),
    ],
)
def test_more_than_that_is_one(stated: Any, anew: Any) -> None:
    assert len(list(differences(stated, anew))) == 1
    assert len(list(differences(anew, stated))) == 1
