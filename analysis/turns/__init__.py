"""Where the hub stood at each reading, by whichever way the trace offers.

Four ways behind one door: a measured angle, stops at the studs, index marks tapped by hand (with the
trace's repetition, where it has any), or the trace's repetition alone.
"""

from __future__ import annotations

import numpy as np

from analysis.turns.measured import from_angle
from analysis.turns.self_found import from_repetition
from analysis.turns.stopped import find_stops, from_stops
from analysis.values import Cleaned, Setup, Turns

__all__ = ["find_turns"]


def find_turns(
    cleaned: Cleaned,
    setup: Setup = Setup(),  # noqa: B008 - frozen value
    *,
    second_face_deg: float | None = None,
) -> Turns:
    """The angle of every kept reading and the turns, with how sure they are.

    Args:
        cleaned: the trace after cleaning.
        setup: what is known of the set-up; `asked_turns` is a weak prior.
        second_face_deg: angle from the first indicator to a second one on the same face, in the
            direction of turning; None when there is no such second indicator.
    """
    trace = cleaned.trace
    if trace.angle_deg is not None and np.isfinite(trace.angle_deg).sum() >= 2:
        return from_angle(cleaned)
    stops = find_stops(trace.time_s, trace.reading_um, cleaned.noise_um, cleaned.resolution_um)
    if stops is not None:
        return from_stops(cleaned, setup, stops)
    return from_repetition(cleaned, setup, second_face_deg=second_face_deg)
