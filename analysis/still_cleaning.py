"""Cleaning for traces that stand still between moves: strokes of end play, and the rest check.

A run-out trace is cleaned against a surface that changes smoothly (`analysis.cleaning`); there a step is a
slip and a still stretch is idle. Here steps and still stretches are the measurement itself, so only what
cannot be a hold is set aside: readings rejected at capture, and single readings that jump away and back.
"""

from __future__ import annotations

import numpy as np

from analysis.cleaning import noise_of, step_of
from analysis.trace import BoolArray, FloatArray, Trace
from analysis.values import Cleaned, Note


def clean_still(trace: Trace) -> Cleaned:
    """The trace without rejected readings and without single spikes, each of these said."""
    keep = trace.flag == "" if trace.flag is not None else np.ones(len(trace), dtype=np.bool_)
    notes = []
    if not keep.all():
        notes.append(Note("flagged_readings", f"{int((~keep).sum())} readings were rejected at capture."))
    step_um = step_of(trace.reading_um[keep], trace.resolution_um)
    noise_um = noise_of(trace.reading_um[keep], step_um)
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
