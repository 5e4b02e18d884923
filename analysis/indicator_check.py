"""Is this indicator what its description says? Its pace, its rest, its step, and known lengths under it.

The words are those of ISO 463 (design and metrological characteristics of dial gauges): error of
indication, hysteresis, permissible error; its procedure is the maker's or the calibration laboratory's.
This check at the bench is no calibration: it compares with gauge blocks where the indicator stands.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.arrival import arrival_of
from analysis.judge import judge
from analysis.results import Reason
from analysis.results_check import AgainstBlocks, AtRest, BlockPoint, Direction, IndicatorCheck, Pace
from analysis.told import uncertainty_out
from analysis.trace import FloatArray
from analysis.uncertainty import combine, mean_of_steps_um, rectangular_um
from analysis.values import Component, Note
from config.indicators import Indicator
from config.lengths import NM_PER_UM, UM_PER_MM, mm_from_um
from config.limits import Limit

BLOCK_ERROR_UM = 0.45
"""Permissible deviation of a gauge block of grade 2 up to 10 mm (ISO 3650, from memory)."""
EXPANSION_DIFFERENCE_PER_K = 4e-6
ROOM_OFF_K = 5.0
"""Blocks and scale may differ by so much in expansion, and the room from 20 degrees C (our choice)."""
SLOW_SHARE = 0.8
"""A rate below this part of the described one is told."""
NOISE_STEPS = 1.5
"""An untouched indicator flickers between neighbouring steps; more noise than this is told (our choice)."""
FEWEST_LEVELS = 3
WHOLE_TRAVEL = 0.98
"""A plunger that goes through less of its described range does not move freely (our choice)."""
NO_FAULT = frozenset({"no_pace"})
"""Worth knowing, but not against the indicator: some send only when the value changes."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What arrived during a check.

    Attributes:
        time_s: (n,) arrival times of the readings at rest.
        length_nm: (n,) their values.
        moving_nm: values of all readings of the check, at rest or not, for the step.
        flagged: readings that the indicator's own status spoke against.
        unreadable: lines or frames that were no readings.
        flags: what those flags said.
        travel_nm: from one end of the plunger's way to the other; None when it was not moved so.
    """

    time_s: FloatArray
    length_nm: Sequence[int]
    moving_nm: Sequence[int] = ()
    flagged: int = 0
    unreadable: int = 0
    flags: tuple[str, ...] = ()
    travel_nm: int | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """A block under the plunger and the readings of it, nm; `direction` is how it was come to."""

    nominal_nm: int
    direction: Direction
    length_nm: tuple[int, ...]


def check_indicator(
    indicator: Indicator,
    seen: Seen,
    levels: Sequence[Level] = (),
    *,
    block_error_um: float = BLOCK_ERROR_UM,
) -> IndicatorCheck:
    """Judge what was seen of an indicator against its description.

    Args:
        indicator: its description.
        seen: the readings.
        levels: blocks in the order in which they were set, the first of them the reference; none for a
            check without blocks.
        block_error_um: permissible deviation of each block from its nominal length.
    """
    pace = _pace(indicator, seen.time_s)
    rest = _at_rest(seen)
    blocks = _against(indicator, levels, block_error_um) if len(levels) > 1 else None
    notes = [*_pace_notes(pace), *_rest_notes(indicator, rest, seen), *_block_notes(blocks)]
    return IndicatorCheck(
        indicator=indicator.name,
        serial_number=indicator.serial_number,
        pace=pace,
        at_rest=rest,
        travel_mm=None if seen.travel_nm is None else mm_from_um(seen.travel_nm / NM_PER_UM),
        blocks=blocks,
        passed=all(note.code in NO_FAULT for note in notes),
        reasons=tuple(Reason(code=note.code, text=note.text) for note in notes),
    )


def step_nm(values_nm: Sequence[int]) -> int | None:
    """The largest step of which all differences of values are multiples; None of fewer than three values."""
    different = sorted(set(values_nm))
    if len(different) < FEWEST_LEVELS:
        return None
    return math.gcd(*(value - different[0] for value in different[1:]))


def _pace(indicator: Indicator, time_s: FloatArray) -> Pace:
    arrival = arrival_of(time_s)
    longest = float(np.max(np.diff(time_s))) * 1e3 if time_s.size > 1 else None
    if arrival.period_s is None:
        return Pace(
            rate_hz=None,
            described_hz=indicator.rate_hz,
            jitter_ms=None,
            worst_delay_ms=None,
            longest_interval_ms=longest,
            missing=None,
        )
    return Pace(
        rate_hz=1.0 / arrival.period_s,
        described_hz=indicator.rate_hz,
        jitter_ms=float(np.std(arrival.delay_s)) * 1e3,
        worst_delay_ms=float(np.max(arrival.delay_s)) * 1e3,
        longest_interval_ms=longest,
        missing=arrival.missing,
    )


def _at_rest(seen: Seen) -> AtRest:
    values_um = np.array(seen.length_nm, dtype=np.float64) / NM_PER_UM
    step = step_nm([*seen.length_nm, *seen.moving_nm])
    some = values_um.size > 1
    return AtRest(
        duration_s=float(seen.time_s[-1] - seen.time_s[0]) if some else 0.0,
        readings=int(values_um.size),
        flagged=seen.flagged,
        unreadable=seen.unreadable,
        noise_mm=mm_from_um(float(np.std(values_um, ddof=1))) if some else None,
        spread_mm=mm_from_um(float(np.ptp(values_um))) if some else None,
        step_mm=None if step is None else mm_from_um(step / NM_PER_UM),
        lowest_mm=mm_from_um(float(np.min(values_um))) if some else None,
        highest_mm=mm_from_um(float(np.max(values_um))) if some else None,
    )


# Against blocks ----------------------------------------------------------------------------------


def _against(indicator: Indicator, levels: Sequence[Level], block_error_um: float) -> AgainstBlocks:
    means = [float(np.mean(level.length_nm)) / NM_PER_UM for level in levels]
    scatters = [float(np.std(level.length_nm, ddof=1)) / NM_PER_UM for level in levels]
    deviations = [
        mean - means[0] - (level.nominal_nm - levels[0].nominal_nm) / NM_PER_UM
        for mean, level in zip(means, levels, strict=True)
    ]
    worst = max(range(len(levels)), key=lambda place: abs(deviations[place]))
    found = combine(_budget(indicator, levels, scatters, worst, block_error_um))
    permissible = Limit(
        name="permissible error", quantity="runout", source="the indicator's description",
        max_nm=indicator.permissible_error_nm,
    )  # fmt: skip
    judged = judge(abs(deviations[worst]), found, permissible)
    assert judged.verdict is not None
    return AgainstBlocks(
        points=tuple(
            BlockPoint(
                nominal_mm=mm_from_um(level.nominal_nm / NM_PER_UM),
                direction=level.direction,
                reading_mm=mm_from_um(mean),
                scatter_mm=mm_from_um(scatter),
                readings=len(level.length_nm),
                deviation_mm=mm_from_um(deviation),
            )
            for level, mean, scatter, deviation in zip(levels, means, scatters, deviations, strict=True)
        ),
        worst_mm=mm_from_um(abs(deviations[worst])),
        worst_at_mm=mm_from_um(levels[worst].nominal_nm / NM_PER_UM),
        hysteresis_mm=_hysteresis_mm(levels, deviations),
        uncertainty_mm=uncertainty_out(found),
        permissible_error_mm=mm_from_um(indicator.permissible_error_nm / NM_PER_UM),
        verdict=judged.verdict,
        conformity_probability=judged.conformity_probability,
    )


def _budget(
    indicator: Indicator,
    levels: Sequence[Level],
    scatters: Sequence[float],
    worst: int,
    block_error_um: float,
) -> tuple[Component, ...]:
    """Sources of the deviation at one block, a difference of two means over two blocks."""
    step_um = indicator.resolution_nm / NM_PER_UM
    counts = [len(levels[place].length_nm) for place in (0, worst)]
    pair = [scatters[place] for place in (0, worst)]
    rounding = math.hypot(*(mean_of_steps_um(step_um, scatter) for scatter in pair))
    of_means = math.hypot(*(scatter / math.sqrt(n) for scatter, n in zip(pair, counts, strict=True)))
    length_um = abs(levels[worst].nominal_nm - levels[0].nominal_nm) / NM_PER_UM
    warmth_um = EXPANSION_DIFFERENCE_PER_K * ROOM_OFF_K * length_um
    return (
        Component(f"steps of {step_um:g} um, two means of readings", rounding, "B"),
        Component("scatter of the readings, two means", of_means, "A", float(min(counts) - 1)),
        Component(
            f"two gauge blocks, each +-{block_error_um:g} um",
            math.sqrt(2.0) * rectangular_um(block_error_um),
            "B",
        ),
        Component(f"expansion of blocks against scale, +-{ROOM_OFF_K:g} K", rectangular_um(warmth_um), "B"),
    )


def _hysteresis_mm(levels: Sequence[Level], deviations: Sequence[float]) -> float | None:
    """The largest difference between the ways up and down at one block; None without a way down."""
    found: list[float] = []
    for level, deviation in zip(levels, deviations, strict=True):
        if level.direction == "down":
            found += [
                abs(deviation - other)
                for same, other in zip(levels, deviations, strict=True)
                if same.direction == "up" and same.nominal_nm == level.nominal_nm
            ]
    return mm_from_um(max(found)) if found else None


# What speaks against it --------------------------------------------------------------------------


def _pace_notes(pace: Pace) -> list[Note]:
    if pace.rate_hz is None:
        return [
            Note("no_pace", "The readings keep no even pace: missing ones cannot be told, turn more slowly.")
        ]
    notes = []
    if pace.missing:
        notes.append(
            Note("missing", f"{pace.missing} readings never came: bring it nearer, check the cable.")
        )
    if pace.described_hz is not None and pace.rate_hz < SLOW_SHARE * pace.described_hz:
        notes.append(
            Note(
                "slow",
                f"{pace.rate_hz:.1f} readings a second come where {pace.described_hz:g} are described.",
            )
        )
    return notes


def _rest_notes(indicator: Indicator, rest: AtRest, seen: Seen) -> list[Note]:
    notes = []
    step_mm = mm_from_um(indicator.resolution_nm / NM_PER_UM)
    if rest.step_mm is not None and not math.isclose(rest.step_mm, step_mm):
        notes.append(
            Note(
                "other_step",
                f"Values come in steps of {rest.step_mm:g} mm where {step_mm:g} mm is described: "
                "is it set to another unit or step?",
            )
        )
    if rest.noise_mm is not None and rest.noise_mm > NOISE_STEPS * step_mm:
        notes.append(
            Note("restless", f"At rest it scatters by {rest.noise_mm:.4f} mm: look for vibration, fasten it.")
        )
    if seen.travel_nm is not None and seen.travel_nm < WHOLE_TRAVEL * indicator.range_nm:
        notes.append(
            Note(
                "short_travel",
                f"The plunger went through {seen.travel_nm / 1e6:.3f} mm where "
                f"{indicator.range_nm / 1e6:g} mm is described: is it bent or dirty, or was it not moved to "
                "its ends?",
            )
        )
    if seen.flags:
        notes.append(Note("flagged", f"Its own status spoke against readings: {', '.join(seen.flags)}."))
    if rest.unreadable:
        notes.append(Note("unreadable", f"{rest.unreadable} messages could not be read."))
    return notes


def _block_notes(blocks: AgainstBlocks | None) -> list[Note]:
    if blocks is None or blocks.verdict == "within":
        return []
    figures = (
        f"{UM_PER_MM * blocks.worst_mm:.1f} um at {blocks.worst_at_mm:g} mm, permissible "
        f"{UM_PER_MM * blocks.permissible_error_mm:g} um, uncertainty "
        f"{UM_PER_MM * blocks.uncertainty_mm.expanded:.1f} um"
    )
    if blocks.verdict == "over":
        return [
            Note("error_over", f"The deviation is over the permissible error ({figures}): do not use it.")
        ]
    return [Note("error_undecided", f"Neither within nor over the permissible error is proved ({figures}).")]


__all__ = ["BLOCK_ERROR_UM", "Level", "Seen", "check_indicator", "step_nm"]
