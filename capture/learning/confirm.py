"""From what is heard to a whole format: a proposal, and a known length that confirms its scale."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from analysis.arrival import arrival_of
from analysis.indicator_check import step_nm
from capture.decoding import decoder_for
from capture.learning.ear import Ear
from capture.learning.scale import sign_from, step_from, unit_from
from capture.links.base import Chunk
from capture.reading import Reading
from config.clock import NS_PER_S
from config.errors import InputError, LinkError
from config.indicators import Format
from config.lengths import NM_PER_UNIT, show_length

FORMAT: TypeAdapter[Any] = TypeAdapter(Format)
STILL_S = 1.0
FEWEST_STILL = 5
STILL_STEPS = 4
LEAST_STEPS = 20
WAIT_S = 180.0
LOOK_S = 0.25
TRIAL_STEP = "0.001 mm"
Propose = Callable[[Ear], dict[str, Any] | None]
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Learned:
    """A whole wire format, and what was seen of the indicator.

    Attributes:
        form: the keys of its format.
        resolution_nm: its step; None when too few values were seen to tell.
        rate_hz: readings a second; None without an even pace.
        confirmed: whether a known length confirmed scale and sign.
    """

    form: dict[str, Any]
    resolution_nm: int | None
    rate_hz: float | None
    confirmed: bool


async def confirm(
    ear: Ear, propose: Propose, say: Say, *, known_nm: int | None, unit: str | None, presentation: bytes = b""
) -> Learned:
    """Propose a format and confirm it.

    Args:
        ear: open; what it heard so far was at rest.
        propose: a format from what was heard, again and again as more is.
        say: tells the technician what to do.
        known_nm: the length that the technician sets; None to do without (then a unit must be known).
        unit: of bare numbers, when it is known.
        presentation: descriptor 0x2904 of a Bluetooth characteristic.

    Raises:
        InputError: the reading does not move as it should, or nothing tells the scale.
        LinkError: the link was lost, or nobody set the length.
    """
    proposed = propose(ear)
    if known_nm is None:
        return _unconfirmed(ear, proposed, unit, presentation)
    say(f"Now set {show_length(known_nm, 'mm', step_nm=1_000)} under the plunger, then hands off.")
    waited_s = 0.0
    while waited_s < WAIT_S:
        await ear.wait(LOOK_S)
        waited_s += LOOK_S
        proposed = propose(ear)
        if proposed is None:
            continue
        readings = _readings(proposed, unit, ear.chunks, presentation)
        moved_nm = _moved(readings)
        if moved_nm is not None:
            return _confirmed(proposed, unit, readings, moved_nm, known_nm)
    what = "what arrives is no format that can be told" if proposed is None else "the reading did not move"
    raise LinkError(
        f"{what} within {WAIT_S:g} s", where=ear.link.where, do="try again, with a longer known length"
    )


def _trial(form: dict[str, Any], unit: str | None) -> dict[str, Any]:
    """The format with a scale to try: bare numbers as mm (or `unit`), a count as 0.001 mm."""
    if "frames" in form["kind"]:
        return {**form, "step": TRIAL_STEP}
    if form["kind"] == "gatt" or "units" in form:
        return form
    return {**form, "unit": unit or "mm"}


def _readings(
    form: dict[str, Any], unit: str | None, chunks: Sequence[Chunk], presentation: bytes
) -> list[Reading]:
    decoder = decoder_for(FORMAT.validate_python(_trial(form, unit)), presentation=presentation)
    decoder.reset()
    readings: list[Reading] = []
    for chunk in chunks:
        readings += decoder.feed(chunk.data, chunk.t_ns).readings
    return [reading for reading in readings if reading.flag is None]


def _moved(readings: Sequence[Reading]) -> int | None:
    """From the level at the beginning to a still level now; None while there is no such one."""
    first, now = _level(readings), _level(readings[::-1])
    if first is None or now is None:
        return None
    values = [reading.length_nm for reading in readings]
    step = step_nm(values) or max(1, max(values) - min(values))  # of two values alone: a flicker, no move
    return round(now - first) if abs(now - first) > LEAST_STEPS * step else None


def _level(readings: Sequence[Reading]) -> float | None:
    """The mean of the first second, when the reading stood still in it."""
    if not readings:
        return None
    start = readings[0].t_ns
    some = [each.length_nm for each in readings if abs(each.t_ns - start) <= STILL_S * NS_PER_S]
    whole = abs(readings[-1].t_ns - start) >= STILL_S * NS_PER_S and len(some) >= FEWEST_STILL
    step = step_nm([reading.length_nm for reading in readings]) or max(1, max(some) - min(some))
    return sum(some) / len(some) if whole and max(some) - min(some) <= STILL_STEPS * step else None


def _confirmed(
    form: dict[str, Any], unit: str | None, readings: list[Reading], moved_nm: int, known_nm: int
) -> Learned:
    form = dict(form)
    scale = 1.0  # from lengths as tried to lengths as meant
    if "frames" in form["kind"]:
        step, sign = step_from(moved_nm / 1_000, known_nm)
        form["step"] = f"{step} nm"
        scale = step / 1_000
    elif form["kind"] == "gatt" or "units" in form or unit:
        sign = sign_from(moved_nm, known_nm)
        form |= {"unit": unit} if unit and "units" not in form else {}
    else:
        found, sign = unit_from(Decimal(moved_nm) / NM_PER_UNIT["mm"], known_nm)
        form["unit"] = found
        scale = NM_PER_UNIT[found] / NM_PER_UNIT["mm"]
    if sign == -1:
        form["sign"] = -1
    return _learned(form, readings, scale, confirmed=True)


def _unconfirmed(ear: Ear, form: dict[str, Any] | None, unit: str | None, presentation: bytes) -> Learned:
    if form is None or "frames" in form["kind"]:
        raise InputError(
            "only a known length tells what a count means", where=ear.link.where, do="give --known LENGTH"
        )
    if form["kind"] != "gatt" and "units" not in form:
        if unit is None:
            raise InputError(
                "the lines name no unit", where=ear.link.where, do="give --known LENGTH, or --unit"
            )
        form = {**form, "unit": unit}
    return _learned(form, _readings(form, unit, ear.chunks, presentation), 1.0, confirmed=False)


def _learned(form: dict[str, Any], readings: list[Reading], scale: float, *, confirmed: bool) -> Learned:
    step = step_nm([reading.length_nm for reading in readings])
    times = np.array([reading.t_ns for reading in readings], dtype=np.float64) / NS_PER_S
    period_s = arrival_of(times - times[0]).period_s if times.size else None
    return Learned(
        form=form,
        resolution_nm=None if step is None else round(step * scale),
        rate_hz=None if period_s is None else round(1 / period_s, 2),
        confirmed=confirmed,
    )
