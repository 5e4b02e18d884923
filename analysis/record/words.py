"""The words that the record keeps: kinds and states of a run, wheel positions, stages."""

from __future__ import annotations

from typing import Literal, cast, get_args

from config.errors import InputError

RunKind = Literal["rest", "endplay", "runout", "bore", "trace"]
RunState = Literal["running", "done", "interrupted"]
EndState = Literal["done", "interrupted"]
Wheel = Literal["front left", "front right", "rear left", "rear right"]
Stage = Literal["as found", "after repair"]

_SHORT_WHEELS: dict[str, Wheel] = {
    "fl": "front left",
    "fr": "front right",
    "rl": "rear left",
    "rr": "rear right",
}


def parse_wheel(text: str, *, where: str = "--wheel") -> Wheel:
    """A wheel position as typed: its words in any case (``Front-Left``) or FL, FR, RL, RR.

    Raises:
        InputError: no such position.
    """
    plain = " ".join(text.replace("-", " ").replace("_", " ").lower().split())
    wheel = _SHORT_WHEELS.get(plain, plain)
    if wheel not in get_args(Wheel):
        raise InputError(
            f"unknown wheel position {text!r}",
            where=where,
            expected="front left, front right, rear left or rear right (or FL, FR, RL, RR)",
        )
    return cast("Wheel", wheel)


def parse_stage(text: str, *, where: str = "--stage") -> Stage:
    """The stage of a job as typed: ``as found`` or ``after repair``, in any case.

    Raises:
        InputError: no such stage.
    """
    plain = " ".join(text.replace("-", " ").replace("_", " ").lower().split())
    if plain not in get_args(Stage):
        raise InputError(f"unknown stage {text!r}", where=where, expected="as found or after repair")
    return cast("Stage", plain)
