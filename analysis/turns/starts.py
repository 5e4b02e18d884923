"""Where the whole turns begin and end."""

from __future__ import annotations

import numpy as np

from analysis.trace import FloatArray


def starts_of(time_s: FloatArray, turns: FloatArray, *, first: float = 0.0) -> FloatArray:
    """Times at which the position passes `first`, `first` + 1 …, interpolated; empty without a whole turn.

    Args:
        time_s: (n,) s.
        turns: (n,) position in turns; a step back is passed over (the first passage counts).
        first: position of the first beginning, in turns.
    """
    reached = np.maximum.accumulate(turns)
    whole = int(np.floor(reached[-1] - first + 1e-9))
    if whole < 1:
        return np.empty(0)
    rising = np.concatenate([[True], np.diff(reached) > 0])
    starts: FloatArray = np.interp(first + np.arange(whole + 1), reached[rising], time_s[rising])
    return starts
