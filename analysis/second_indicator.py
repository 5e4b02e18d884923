"""A second indicator in the same run: a fixed reference to take off, or the pilot beside the face.

The two indicators read at their own instants. Where one is needed at the other's, it is interpolated
between its two neighbours, never beyond its ends and never across a gap of more than a few of its readings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.cleaning import noise_of, step_of
from analysis.trace import BoolArray, FloatArray, Trace
from analysis.values import Note, Turns
from config.errors import InputError

FEWEST_READINGS = 8
LONGEST_GAP = 4.0  # in usual distances between readings of the second indicator


@dataclass(frozen=True, slots=True, eq=False)
class WithoutReference:
    """The first indicator's trace with the reference taken off.

    Attributes:
        trace: readings of the first indicator less the second, at the first's instants; those at which
            the second gave nothing near are left out.
        kept: (n of the raw trace,) true where a reading is left.
        added_um: standard deviation that the second indicator's noise and steps add to one reading.
        moved_um: largest minus smallest of what was taken off.
        notes: what was done.
    """

    trace: Trace
    kept: BoolArray
    added_um: float
    moved_um: float
    notes: tuple[Note, ...]


def take_off_reference(trace: Trace) -> WithoutReference:
    """Take a second indicator, which touches the knuckle or the holder's foot, off the first.

    Both plungers must point the same way: what moves holder and hub together then drops out. The mean of
    the reference is kept out of it, so that the readings stay near those that were shown.

    A value interpolated at the share a between two readings has the variance (1 - a)^2 + a^2 of one
    reading, 2/3 on the average over a; the readings themselves, where instants agree, have all of it.

    Raises:
        InputError: no second indicator, or fewer than 8 readings of it.
    """
    at, value = _second(trace)
    reading2, share, near = interpolated(trace.time_s, at, value)
    taken = reading2[near] - float(np.mean(reading2[near]))
    noise2 = noise_of(value, step_of(value, trace.resolution_um))
    added = noise2 * float(np.sqrt(np.mean((1 - share[near]) ** 2 + share[near] ** 2)))
    moved = float(np.ptp(taken)) if taken.size else 0.0
    left = replace(trace.where(near), reading2_um=None)
    # The difference comes in no steps of its own; those of the first indicator are still in it.
    step = step_of(trace.reading_um, trace.resolution_um)
    notes = [
        Note(
            "reference_taken_off",
            f"The second indicator moved by {moved:.1f} um and was taken off; noise added: {added:.2f} um.",
        )
    ]
    lost = int((~near).sum())
    if lost:
        notes.append(
            Note("reference_missing", f"{lost} readings had no reading of the second indicator near.")
        )
    return WithoutReference(
        trace=replace(left, reading_um=left.reading_um - taken, resolution_um=step),
        kept=near,
        added_um=added,
        moved_um=moved,
        notes=tuple(notes),
    )


def second_trace(trace: Trace) -> Trace:
    """The second indicator's own readings as a trace, with marks and angles of their rows.

    Raises:
        InputError: no second indicator, or fewer than 8 readings of it.
    """
    _second(trace)
    assert trace.reading2_um is not None
    given = np.isfinite(trace.reading2_um)
    part = trace.where(given)
    assert part.reading2_um is not None
    return replace(part, reading_um=part.reading2_um, reading2_um=None, flag=None)


def same_angle(turns: Turns, found_at_s: FloatArray, wanted_at_s: FloatArray) -> Turns:
    """The turns of one indicator carried over to the instants of another on the same hub.

    Args:
        turns: found from the readings at `found_at_s`.
        found_at_s: (n,) times of `turns.angle_deg`.
        wanted_at_s: (m,) times of the other indicator's readings.

    Between two readings the hub turned at an even speed; before the first and after the last with a known
    angle nothing is known.
    """
    if turns.angle_deg is None:
        return turns
    known = np.isfinite(turns.angle_deg)
    if not known.any():
        return replace(turns, angle_deg=np.full(wanted_at_s.size, np.nan))
    angle = np.interp(wanted_at_s, found_at_s[known], turns.angle_deg[known], left=np.nan, right=np.nan)
    return replace(turns, angle_deg=angle)


def surer(first: Turns, second: Turns) -> bool:
    """Whether the first of two layouts of the same turning is the one to use for both indicators."""
    if (first.angle_deg is None) != (second.angle_deg is None):
        return first.angle_deg is not None
    return first.confidence >= second.confidence


def interpolated(
    wanted_s: FloatArray, at_s: FloatArray, value: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Values at `wanted_s`, the share of the later neighbour in each, and where one could be had."""
    after = np.clip(np.searchsorted(at_s, wanted_s), 1, at_s.size - 1)
    gap = at_s[after] - at_s[after - 1]
    share = np.clip((wanted_s - at_s[after - 1]) / np.where(gap > 0, gap, 1.0), 0.0, 1.0)
    usual = float(np.median(np.diff(at_s)))
    inside = (wanted_s >= at_s[0]) & (wanted_s <= at_s[-1])
    near = inside & ((gap <= LONGEST_GAP * usual) | (share == 0.0) | (share == 1.0))
    return (1 - share) * value[after - 1] + share * value[after], share, near


def _second(trace: Trace) -> tuple[FloatArray, FloatArray]:
    if trace.reading2_um is None:
        raise InputError("the trace holds no second indicator", expected="a reading2 column")
    given = np.isfinite(trace.reading2_um)
    if int(given.sum()) < FEWEST_READINGS:
        raise InputError(
            f"the second indicator gave {int(given.sum())} readings", expected=f"at least {FEWEST_READINGS}"
        )
    return trace.time_s[given], trace.reading2_um[given]
