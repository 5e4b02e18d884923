"""Whole jobs as stories: what a technician records, and what the simulated hand does at each measurement.

Everything here is invented. In each story one thing is done wrongly first, so that the tool can catch it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from simulators.bore import Bore, Gauging
from simulators.hand import Strokes, Turn

SHEET: dict[str, object] = {
    "technician": "A. Invented",
    "vehicle": "invented hatchback",
    "odometer": "120000 km",
    "complaint": "noise from the front left wheel",
}
WHEEL: dict[str, object] = {
    "wheel": "front left",
    "bearing": "ball",
    "encoder": "inner side",
    "old_part": "OLD-1",
    "new_part": "NEW-7",
    "new_lot": "B",
    "torque": "180 N m",
    "limits": {"bore": "0.03 mm", "runout": "0.05 mm", "endplay": "0.1 mm"},
    "source": "invented workshop manual",
    "sizes": {
        "size": "74 mm", "bore": "N7", "wall": "96 mm", "width": "40 mm", "bearing_bore": "39 mm",
        "studs": "5", "directions": "4", "depths": "2",
    },
}  # fmt: skip
RING_MM = 74.002
"""Diameter of the setting ring at 20 degrees C."""
PHOTO = b"\x89PNG\r\n\x1a\n an invented picture"


@dataclass(frozen=True, slots=True)
class Answer:
    """A step answered; `wrong` when the tool must catch it."""

    step: str
    answer: str | None
    wrong: bool = False


@dataclass(frozen=True, slots=True)
class Measure:
    """A step measured: what the hand does, at which hub (a scenario and its seed) or bore."""

    step: str
    action: Strokes | Turn | Gauging
    at: tuple[str, int] | Bore
    verdict: str


@dataclass(frozen=True, slots=True)
class Photo:
    """A step photographed."""

    step: str
    name: str = "wheel-end.png"


Part = Answer | Measure | Photo


@dataclass(frozen=True, slots=True)
class Story:
    """One job from arrival to its end.

    Attributes:
        name: for the command line.
        vin: of the invented vehicle.
        parts: what happens, in order.
        ends: released, or why the job is stopped.
        decides: part of the wheel end -> what must be decided in the end.
        refused: steps that must be refused at the end, before it is stopped.
    """

    name: str
    vin: str
    parts: tuple[Part, ...]
    ends: str
    decides: Mapping[str, str] = field(default_factory=dict)
    refused: tuple[str, ...] = ()


SOUND, WORN, BENT = ("sound-hub", 1), ("worn-bearing", 3), ("bent-flange", 2)
STROKES, TURNING = Strokes(3), Turn(3.4, "gentle", turn_s=4.2)
GAUGING = Gauging(knuckle_c=24.0, ring_c=22.0)
GOOD_BORE = Bore(diameter_mm=73.974, taper_um=-3.0, oval_um=6.0)
OVAL_BORE = Bore(diameter_mm=73.974, taper_um=-3.0, oval_um=60.0)

_ARRIVED = (
    Answer("vehicle_secured", "yes"), Answer("turning", "smooth"), Answer("seal", "sound"),
    Photo("photo_found"),
)  # fmt: skip
_NUT = Answer("nut_torqued", "yes")
_CLEAN = Answer("face_cleaned", "yes")
_APART = (
    Answer("replace", "yes"), Answer("caliper_hung", "on a wire"), Answer("nut_loosened", "hand tool"),
    Answer("pressed_out", "pressed"), Answer("flange_off", "yes"), Answer("old_lot", "L-3"),
    Answer("groove", "no"), Answer("bore_clean", "yes"),
    Answer("setting_ring", "74.002 mm +- 0.001 mm"), Answer("ring_temperature", "22 °C"),
    Answer("knuckle_temperature", "24 °C"),
)  # fmt: skip
_BORE = Measure("bore", GAUGING, GOOD_BORE, "within")
_FIT = (Answer("ring_size", "73.994 mm +- 0.003 mm"), Answer("fit", None))
_ENCODER, _PRESSED_IN = Answer("encoder_side", "to the sensor"), Answer("pressed_in", "on the outer race")
_RING = Answer("retaining_ring", "new")
_FLANGE_IN = (Answer("flange_in", "inner race supported"), Answer("turning_after", "smooth"))
_TORQUE = (Answer("torque_tool", "torque wrench"), Answer("torque", "180 N m"))
_AFTER = (
    Measure("play_after", STROKES, SOUND, "within"), Measure("runout_after", TURNING, SOUND, "within"),
)  # fmt: skip
_END = (Answer("alignment", "yes"), Photo("photo_fitted"), Answer("released", "yes"))

STORIES = (
    Story(
        "worn-bearing",
        "1ZZAA1A25A0000001",
        (
            *_ARRIVED,
            _NUT,
            Measure("play_found", STROKES, WORN, "over"),
            _CLEAN,
            Measure("runout_found", TURNING, WORN, "any"),
            *_APART,
            _BORE,
            *_FIT,
            Answer("encoder_side", "away from the sensor", wrong=True),
            _ENCODER,
            _PRESSED_IN,
            _RING,
            *_FLANGE_IN,
            Answer("nut", "new"),
            Answer("torque_tool", "impact wrench", wrong=True),
            *_TORQUE,
            *_AFTER,
            *_END,
        ),
        "released",
        {"bearing": "keep", "flange": "keep", "knuckle": "keep", "hub nut": "keep"},
    ),
    Story(
        "bent-flange",
        "1ZZAA1A27A0000002",
        (
            *_ARRIVED,
            _NUT,
            Measure("play_found", STROKES, BENT, "within"),
            _CLEAN,
            Measure("runout_found", TURNING, BENT, "over"),
            *_APART,
            _BORE,
            *_FIT,
            _ENCODER,
            _PRESSED_IN,
            _RING,
            Answer("flange_not_bent", "old, bent", wrong=True),
            Answer("flange_not_bent", "new"),
            *_FLANGE_IN,
            Answer("nut", "old, one-use", wrong=True),
            Answer("nut", "new"),
            *_TORQUE,
            *_AFTER,
            *_END,
        ),
        "released",
        {"bearing": "keep", "flange": "keep"},
    ),
    Story(
        "oval-bore",
        "1ZZAA1A29A0000003",
        (
            *_ARRIVED,
            _NUT,
            Measure("play_found", STROKES, WORN, "over"),
            _CLEAN,
            Measure("runout_found", TURNING, WORN, "any"),
            *_APART,
            Measure("bore", GAUGING, OVAL_BORE, "over"),
            _ENCODER,
        ),
        "the knuckle has to be replaced first",
        {"knuckle": "replace"},
        ("pressed_in", "fit"),
    ),
    Story(
        "good-hub",
        "1ZZAA1A20A0000004",
        (
            *_ARRIVED,
            Answer("nut_torqued", "no", wrong=True),
            _NUT,
            Measure("play_found", STROKES, SOUND, "within"),
            _CLEAN,
            Measure("runout_found", TURNING, SOUND, "within"),
            Answer("replace", "no"),
            Answer("released", "yes"),
        ),
        "released",
        {"bearing": "keep", "flange": "keep", "knuckle": "keep", "hub nut": "keep", "retaining ring": "keep"},
    ),
)


def story_named(name: str) -> Story:
    """The story of that name; LookupError without one."""
    for story in STORIES:
        if story.name == name:
            return story
    raise LookupError(name)
