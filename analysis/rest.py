"""The rest check: an untouched indicator for some seconds. May this set-up be trusted?

Looked for: a holder that creeps (drift), one that slips (a step), an indicator that is not still (noise),
and what the set-up itself forbids: a plunger near an end of its range, a step too coarse for the limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.judge import coarse_for
from analysis.results import Counts, Reason, RestResult
from analysis.still_cleaning import clean_still
from analysis.trace import FloatArray, Trace
from analysis.values import Note, Setup
from config.lengths import mm_from_um
from config.limits import Limit

SHORTEST_S = 2.0
FEWEST_READINGS = 10
DRIFT_LIMIT_UM_PER_MIN = 5.0
"""Faster drift means that the holder moves (our choice: a turn takes ten seconds, so under 1 um in it)."""
SLIP_LIMIT_UM = 2.0
NOISE_LIMIT_UM = 2.0
"""A still indicator scatters by less, apart from its own step (our choice)."""
SIGNIFICANT = 4.0
"""Drift and slip count only beyond this many of their own standard uncertainties."""
RANGE_MARGIN = 0.05
"""Nearer to an end of the range than this part of it, run-out may run the plunger into its stop."""


@dataclass(frozen=True, slots=True)
class _Motion:
    """Straight drift, or one step, whichever explains the readings better; the other is zero."""

    drift_um_s: float
    drift_standard_um_s: float
    slip_um: float
    slip_standard_um: float
    noise_um: float


def check_rest(
    trace: Trace,
    setup: Setup | None = None,
    *,
    limit: Limit | None = None,
    range_um: tuple[float, float] | None = None,
    file: str | None = None,
) -> RestResult:
    """Judge the set-up by a trace in which nobody touched hub or indicator.

    Args:
        trace: a few seconds of readings.
        setup: only its `range_um` counts here; accepted whole so that every measurement is called alike.
        limit: the limit that will be judged, to say when the indicator's step is too coarse for it.
        range_um: lowest and highest reading the plunger allows, in the trace's own zero; None when
            not given (then that of `setup`; without either, nearness to the ends is not checked).
        file: where the trace came from, for the result.
    """
    cleaned = clean_still(trace)
    kept = cleaned.trace
    notes, motion = list(cleaned.notes), None
    duration_s = float(kept.time_s[-1] - kept.time_s[0]) if len(kept) else 0.0
    if len(kept) < FEWEST_READINGS or duration_s < SHORTEST_S:
        notes.append(
            Note(
                "too_short",
                f"Too few readings to tell, {len(kept)} over {duration_s:.1f} s: leave the indicator "
                f"alone for {SHORTEST_S:g} s or more.",
            )
        )
    else:
        motion = _motion(kept.time_s, kept.reading_um, cleaned.resolution_um)
        notes += _moved(motion) + _restless(motion, cleaned.resolution_um)
    ends_um = range_um or (setup.range_um if setup else None)
    notes += _setup_notes(kept.reading_um, cleaned.resolution_um, limit, ends_um)
    codes = {note.code for note in notes}
    moved = bool(codes & {"holder_creeps", "holder_slipped"}) if motion else None
    return RestResult(
        file=file,
        steady=not moved and "restless" not in codes if motion else None,
        holder_moved=moved,
        duration_s=duration_s,
        noise_mm=mm_from_um(motion.noise_um) if motion else None,
        drift_mm_per_min=mm_from_um(60.0 * motion.drift_um_s) if motion else None,
        slip_mm=mm_from_um(motion.slip_um) if motion else None,
        readings=Counts(used=len(kept), rejected=len(trace) - len(kept)),
        resolution_mm=mm_from_um(cleaned.resolution_um),
        reasons=tuple(Reason(code=note.code, text=note.text) for note in notes),
    )


def _motion(time_s: FloatArray, reading_um: FloatArray, step_um: float) -> _Motion:
    floor_um = step_um / math.sqrt(12.0)
    t = time_s - time_s.mean()
    slope = float(t @ reading_um) / float(t @ t)
    line_left = reading_um - reading_um.mean() - slope * t
    at, step, step_left = _best_step(reading_um)
    count = reading_um.size
    # A step has one more fitted value (its place) than a slope: it must win by more than that buys.
    if float(step_left @ step_left) * (count + 4) < float(line_left @ line_left) * count:
        noise = max(float(np.std(step_left, ddof=2)), floor_um)
        doubt = noise * math.sqrt(1.0 / at + 1.0 / (count - at))
        return _Motion(0.0, 0.0, step, doubt, noise)
    noise = max(float(np.std(line_left, ddof=2)), floor_um)
    return _Motion(slope, noise / math.sqrt(float(t @ t)), 0.0, 0.0, noise)


def _best_step(reading_um: FloatArray) -> tuple[int, float, FloatArray]:
    """First reading after the step, its height and the residual of the best single step."""
    count = reading_um.size
    before = np.arange(2, count - 1)
    sums = np.cumsum(reading_um)
    left = sums[before - 1] / before
    right = (sums[-1] - sums[before - 1]) / (count - before)
    best = int(np.argmax(before * (count - before) * (right - left) ** 2))
    at = int(before[best])
    level = np.where(np.arange(count) < at, left[best], right[best])
    return at, float(right[best] - left[best]), reading_um - level


def _moved(motion: _Motion) -> list[Note]:
    per_minute = 60.0 * motion.drift_um_s
    if abs(per_minute) > DRIFT_LIMIT_UM_PER_MIN and (
        abs(motion.drift_um_s) > SIGNIFICANT * motion.drift_standard_um_s
    ):
        return [
            Note(
                "holder_creeps",
                f"The reading creeps by {per_minute / 1000.0:+.4f} mm a minute with nobody touching it: "
                "tighten the holder, let the magnet seat, and check again.",
            )
        ]
    if abs(motion.slip_um) > SLIP_LIMIT_UM and abs(motion.slip_um) > SIGNIFICANT * motion.slip_standard_um:
        return [
            Note(
                "holder_slipped",
                f"The reading jumped by {motion.slip_um / 1000.0:+.4f} mm with nobody touching it: "
                "the holder slipped; fasten it and check again.",
            )
        ]
    return []


def _restless(motion: _Motion, step_um: float) -> list[Note]:
    if motion.noise_um <= max(NOISE_LIMIT_UM, 0.6 * step_um):
        return []
    return [
        Note(
            "restless",
            f"The reading scatters by {motion.noise_um / 1000.0:.4f} mm at rest: look for vibration, a "
            "loose plunger tip or a loose joint of the holder.",
        )
    ]


def _setup_notes(
    reading_um: FloatArray, step_um: float, limit: Limit | None, range_um: tuple[float, float] | None
) -> list[Note]:
    notes = []
    if limit is not None and (coarse := coarse_for(step_um, limit)) is not None:
        notes.append(coarse)
    if range_um is not None and reading_um.size:
        low_um, high_um = range_um
        at_um = float(np.median(reading_um))
        room_um = min(at_um - low_um, high_um - at_um)
        if room_um < RANGE_MARGIN * (high_um - low_um):
            notes.append(
                Note(
                    "plunger_near_end",
                    f"The plunger stands {room_um / 1000.0:.3f} mm from an end of its range: move the "
                    "holder so that it can travel both ways.",
                )
            )
    return notes
