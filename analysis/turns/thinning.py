"""Fewer points for the search: means of blocks of readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.trace import FloatArray

_POINTS = 300


def thinned(
    time_s: FloatArray,
    reading_um: FloatArray,
    noise_um: float,
    edges: Sequence[int] = (),
    *,
    points: int = _POINTS,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times, means and standard deviations of at most about `points` blocks; none reaches over an edge."""
    block = max(1, int(np.ceil(time_s.size / points)))
    if block == 1:
        return time_s, reading_um, np.full(time_s.size, np.hypot(noise_um, 0.3 * noise_um))
    firsts: list[int] = []
    for first, last in zip([0, *edges], [*edges, time_s.size], strict=True):
        firsts += list(range(first, last, block))
    at = np.asarray(firsts)
    count = np.diff(np.append(at, time_s.size))
    time = np.add.reduceat(time_s, at) / count
    reading = np.add.reduceat(reading_um, at) / count
    # Neighbours share some of their error (rounding, the shape of the flange within a block).
    return time, reading, np.hypot(noise_um / np.sqrt(count), 0.3 * noise_um)
