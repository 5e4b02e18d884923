"""Cleaning for traces that stand still between moves: strokes of end play, and the rest check.

A run-out trace is cleaned against a surface that changes smoothly (`analysis.cleaning`); there a step is a
slip and a still stretch is idle. Here steps and still stretches are the measurement itself, so only what
cannot be a hold is set aside: readings rejected at capture, and single readings that jump away and back.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.cleaning import step_of
from analysis.trace import BoolArray, FloatArray, Trace
from analysis.values import Cleaned, Note


def clean_still(trace: Trace) -> Cleaned:
    """The trace without rejected readings and without single spikes, each of these said."""
    keep = trace.flag == "" if trace.flag is not None else np.ones(len(trace), dtype=np.bool_)
    notes = []
    if not keep.all():
        notes.append(Note("flagged_readings", f"{int((~keep).sum())} readings were rejected at capture."))
    step_um = step_at_rest_um(trace.reading_um[keep], trace.resolution_um)
    noise_um = noise_at_rest_um(trace.reading_um[keep], step_um)
    spike = _single_spikes(trace.reading_um[keep], noise_um)
    if spike.any():
        keep[np.flatnonzero(keep)[spike]] = False
        notes.append(
            Note("spikes", f"{int(spike.sum())} single readings that jump away and back were set aside.")
        )
    kept = trace.where(keep)
    return Cleaned(
        trace=kept,
        kept=keep,
        notes=tuple(notes),
        refused=False,
        noise_um=noise_um,
        resolution_um=step_um,
        corrected_um=np.zeros(len(kept)),
    )


def step_at_rest_um(reading_um: FloatArray, stated_um: float | None) -> float:
    """The stated step where the readings bear it out, else the step that they come in.

    A trace at rest shows few different values, so the gaps between them say little: the indicator's own
    step is believed unless a gap is no multiple of it (another unit, a finer mode).
    """
    if stated_um is not None and stated_um > 0.0:
        counted = np.diff(np.unique(reading_um)) / stated_um
        if np.all(np.abs(counted - np.round(counted)) < 0.02):
            return stated_um
    return step_of(reading_um, stated_um)


def noise_at_rest_um(reading_um: FloatArray, step_um: float) -> float:
    """Standard deviation of one reading at rest, um, never below step / sqrt(12); a first estimate.

    From the smaller half of the second differences, because in a trace of strokes many are moves. It
    comes out too large by up to a factor of two where only half the readings are at rest.
    """
    floor_um = step_um / math.sqrt(12.0)
    if reading_um.size < 6:
        return floor_um
    second = np.sort(np.abs(np.diff(reading_um, 2)))[: (reading_um.size - 1) // 2]
    # The smaller half of |x| of a normal variable has a root mean square of 0.3776 standard deviations.
    return max(floor_um, float(np.sqrt(np.mean(second**2) / 6.0)) / 0.3776)


def _single_spikes(reading_um: FloatArray, noise_um: float) -> BoolArray:
    """Readings that differ from both neighbours, on one side, far more than these from each other."""
    spike = np.zeros(reading_um.size, dtype=np.bool_)
    if reading_um.size < 5:
        return spike
    before, middle, after = reading_um[:-2], reading_um[1:-1], reading_um[2:]
    away = np.minimum(np.abs(middle - before), np.abs(middle - after))
    apart = np.abs(after - before)
    one_side = (middle - before) * (middle - after) > 0.0
    spike[1:-1] = one_side & (away > np.maximum(8.0 * noise_um, 4.0 * apart))
    return spike
