"""What is wrong with a trace, found, named, and set aside or corrected before anything is judged.

Nothing is repaired in silence: every finding leaves a note (code and sentence), every correction shows
in `Cleaned.corrected_um`, and what cannot be corrected refuses the run.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import median_filter

from analysis.trace import BoolArray, FloatArray, Trace
from analysis.values import Cleaned, Note, Setup

_SMALLEST_SHARE = 0.5
_FEWEST = 5


def clean(trace: Trace, setup: Setup = Setup()) -> Cleaned:  # noqa: B008 - frozen value
    """The trace with what is wrong set aside or corrected, and each of these said.

    Args:
        trace: the readings as captured, um and s.
        setup: what is known of the instrument; nothing of it is needed here.
    """
    notes: list[Note] = []
    keep = np.ones(len(trace), dtype=np.bool_)
    if trace.flag is not None and (trace.flag != "").any():
        bad = trace.flag != ""
        keep &= ~bad
        notes.append(Note("flagged_readings", f"{int(bad.sum())} readings were rejected at capture."))
    keep &= _not_repeated(trace, keep, notes)
    resolution = step_of(trace.reading_um[keep], trace.resolution_um)
    noise = noise_of(trace.reading_um[keep], resolution)
    keep = _without_spikes(trace, keep, noise, resolution, notes)
    keep = _moving_part(trace, keep, noise, resolution, notes)
    kept = _keep_marks(trace, keep)
    return Cleaned(
        trace=kept,
        kept=keep,
        notes=tuple(notes),
        refused=False,
        noise_um=noise,
        resolution_um=resolution,
        corrected_um=np.zeros(len(kept)),
    )


def step_of(reading_um: FloatArray, stated_um: float | None) -> float:
    """The step the readings come in, um: the smallest difference that occurs, or the stated one."""
    levels = np.unique(np.round(reading_um, 4))
    if levels.size < 3:
        return stated_um or 1.0
    gaps = np.diff(levels)
    smallest = float(gaps[gaps > 1e-3].min(initial=np.inf))
    if not np.isfinite(smallest):
        return stated_um or 1.0
    multiples = gaps / smallest
    even = float(np.mean(np.abs(multiples - np.round(multiples)) < 0.02 * np.maximum(1, multiples)))
    if even > 0.9 and levels.size < 0.9 * reading_um.size:
        return smallest
    return stated_um or smallest


def noise_of(reading_um: FloatArray, resolution_um: float) -> float:
    """Standard deviation of one reading's noise, um, never below resolution/sqrt(12).

    From the third differences, which a smooth motion leaves nearly nothing in; of these the smallest
    half, because a narrow feature of the flange still does.
    """
    floor = resolution_um / np.sqrt(12.0)
    if reading_um.size < 12:
        return floor
    third = np.abs(np.diff(reading_um, 3)) / np.sqrt(20.0)
    # The median of |x| of a normal variable is 0.6745 standard deviations.
    level = float(np.quantile(third, 0.5 * _SMALLEST_SHARE)) / 0.3186
    return float(max(floor, level))


def _not_repeated(trace: Trace, keep: BoolArray, notes: list[Note]) -> BoolArray:
    """Drop readings that carry the time of the reading before."""
    fresh = np.ones(len(trace), dtype=np.bool_)
    index = np.flatnonzero(keep)
    again = np.diff(trace.time_s[index]) <= 0.0
    fresh[index[1:][again]] = False
    if again.any():
        notes.append(
            Note("repeated_times", f"{int(again.sum())} readings carry the time of the one before; left out.")
        )
    return fresh


def _without_spikes(
    trace: Trace, keep: BoolArray, noise: float, resolution: float, notes: list[Note]
) -> BoolArray:
    index = np.flatnonzero(keep)
    reading = trace.reading_um[index]
    if reading.size < 15:
        return keep
    away = reading - median_filter(reading, 7, mode="nearest")
    usual = float(np.quantile(np.abs(away), 0.9))
    limit = max(6.0 * noise, 4.0 * resolution, 4.0 * usual)
    spike = np.abs(away) > limit
    if not spike.any():
        return keep
    if float(spike.mean()) > 0.06:
        notes.append(
            Note(
                "interrupted_surface",
                "More than a few percent of the readings jump between levels, as on studs, slots or teeth.",
            )
        )
        return keep
    keep = keep.copy()
    keep[index[spike]] = False
    notes.append(
        Note("spikes", f"{int(spike.sum())} readings stand out alone by more than {limit:.1f} um; set aside.")
    )
    return keep


def _moving_part(
    trace: Trace, keep: BoolArray, noise: float, resolution: float, notes: list[Note]
) -> BoolArray:
    """Without the rest before the hub is turned and after."""
    index = np.flatnonzero(keep)
    reading = trace.reading_um[index]
    if reading.size < 3 * _FEWEST:
        return keep
    band = max(4.0 * noise, 1.01 * resolution)
    lead = _still_from_start(reading, band)
    tail = _still_from_start(reading[::-1], band)
    surely = 1.5 if np.ptp(reading) > 12.0 * band else 2.5
    usual = max(3 * _FEWEST, int(surely * _longest_rest(reading[lead : reading.size - tail], band)))
    keep = keep.copy()
    if lead + tail >= reading.size:
        return keep
    for count, code, text, part in (
        (lead, "idle_lead_in", "before the hub moved", index[: max(0, lead - 1)]),
        (tail, "idle_lead_out", "after the hub had stopped", index[len(index) - max(0, tail - 1) :]),
    ):
        if count > usual:
            keep[part] = False
            notes.append(Note(code, f"{count} readings {text} are left out."))
    return keep


def _still_from_start(reading: FloatArray, band: float) -> int:
    """How many readings from the start stay within `band` of their own median."""
    high = np.maximum.accumulate(reading)
    low = np.minimum.accumulate(reading)
    return int(np.searchsorted(high - low, band, side="right"))


def _longest_rest(reading: FloatArray, band: float) -> int:
    """Readings in the longest stretch that stays within `band`; large traces are looked at in strides."""
    stride = max(1, reading.size // 1500)
    low = high = np.inf
    longest = length = 0
    for value in reading[::stride].tolist():
        low, high = min(low, value), max(high, value)
        if length == 0 or high - low > band:
            low = high = value
            length = 0
        length += 1
        longest = max(longest, length)
    return longest * stride


def _keep_marks(trace: Trace, keep: BoolArray) -> Trace:
    """The kept readings; a mark of a dropped reading moves to the next kept one."""
    kept = trace.where(keep)
    if trace.mark is None or kept.mark is None or not len(kept):
        return kept
    mark = kept.mark.copy()
    lost = np.flatnonzero(trace.mark & ~keep)
    if lost.size:
        place = np.searchsorted(np.flatnonzero(keep), lost)
        inside = (place > 0) & (place < len(kept))
        mark[place[inside]] = True
    return replace(kept, mark=mark)
