"""Turns what the simulator recorded into what the analysis reads: neither may import the other."""

from __future__ import annotations

import numpy as np

from analysis.trace import Trace
from simulators.recording import Recording


def trace_of(recording: Recording) -> Trace:
    """The trace of a recording: nanometres become micrometres, nothing else changes."""
    second = recording.length2_nm
    return Trace(
        time_s=np.asarray(recording.time_s, dtype=np.float64),
        reading_um=recording.length_nm / 1000.0,
        mark=recording.mark,
        angle_deg=recording.angle_deg,
        reading2_um=None if second is None else second / 1000.0,
        resolution_um=recording.resolution_nm / 1000.0,
        unit="in" if recording.inch.any() else "mm",
    )
