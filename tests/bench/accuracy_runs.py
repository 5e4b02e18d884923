"""One simulated measurement, measured by the whole analysis, and how far off each of its figures is."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import numpy as np

from analysis.measure import measure_endplay, work_out_runout
from analysis.runout import Runout
from analysis.values import Turns
from simulators.accuracy import accuracy_case
from simulators.hand import Strokes
from simulators.hub import Order, Seat, follow
from simulators.recording import Recording
from tests.bench.accuracy_bounds import bounds_um, off_with_known_angle_um, pair_bounds_um
from tests.recordings import trace_of

SURE = 0.8
TWO_SIDED_95 = 1.959964


@dataclass(frozen=True)
class Seen:
    """One turning: how far off each figure is (None without one), whether intervals hold, what was said."""

    off_turns: float | None
    off_of_others: float
    confidence: float
    off_runout_um: float | None
    off_judged_um: float | None
    expanded_um: float
    off_orders_um: tuple[float, ...]
    order_standards_um: tuple[float, ...]
    order_bounds_um: tuple[float, ...]
    pair_bounds_um: tuple[float, ...]
    off_known_um: float | None
    off_high_spot_deg: float | None
    high_spot_standard_deg: float | None
    jitter_deg: float
    off_cage_um: float | None
    codes: frozenset[str]
    alternatives: int
    verdict: str | None
    readings: int
    seconds: float

    @property
    def sure(self) -> bool:
        """Counted, and stated outright."""
        return self.off_turns is not None and self.confidence >= SURE

    @property
    def wrong(self) -> bool:
        """Stated outright and off by a quarter turn or more."""
        return self.sure and abs(self.off_turns or 0.0) > 0.25


@dataclass(frozen=True)
class Play:
    """One end play, um: its error against the strokes made and against the play of the hub, its interval.

    Three strokes are a sample: a hand never pushes alike twice. What the interval is about is the play of
    this hub in such a hand, at its mean force.
    """

    off_um: float | None
    off_hub_um: float
    expanded_um: float
    step_um: float


def turned(case: str, seed: int) -> Seen:
    """One seed of a case in which the hub is turned."""
    recording = accuracy_case(case, seed)
    trace = trace_of(recording)
    touches = recording.truth.workshop.second_touches
    second = None
    if recording.length2_nm is not None:
        second = f"face:{touches.at_deg:.1f}" if touches.what == "face" else touches.what
    began = time.process_time()
    worked = work_out_runout(trace, second=second)
    seconds = time.process_time() - began
    result, cleaned, turns, runout = worked.result, worked.cleaned, worked.turns, worked.runout
    assert cleaned is not None
    assert turns is not None
    assert runout is not None
    truth = recording.truth.turn
    total = None if cleaned.refused else turns.total
    u = result.uncertainty_mm
    orders = truth.orders[:2]
    whole = (turns.angle_deg is not None) and bool(runout.orders)
    judged = judged_truth_um(recording, turns) if runout.judged_um is not None else None
    return Seen(
        off_turns=None if total is None else total - truth.total_turns,
        off_of_others=min((abs(o - truth.total_turns) for o in turns.alternatives), default=math.inf),
        confidence=turns.confidence,
        off_runout_um=None if runout.repeatable_um is None else runout.repeatable_um - truth.repeatable_um,
        off_judged_um=None if judged is None or runout.judged_um is None else runout.judged_um - judged,
        expanded_um=0.0 if u is None else 1000.0 * u.expanded,
        off_orders_um=off_orders(runout, orders) if whole else (),
        order_standards_um=tuple(one.standard_um for one in runout.orders[:2]) if whole else (),
        order_bounds_um=bounds_um(recording, cleaned) if whole else (),
        pair_bounds_um=pair_bounds_um(recording) if whole and case == "two-on-one-face" else (),
        off_known_um=off_with_known_angle_um(recording, cleaned) if case == "stops" else None,
        off_high_spot_deg=off_high_spot(recording, runout, turns),
        high_spot_standard_deg=runout.high_spot_standard_deg,
        jitter_deg=360.0 * 0.08 * truth.total_turns / float(np.ptp(recording.time_s)),
        off_cage_um=off_cage(recording, runout),
        codes=frozenset(reason.code for reason in result.reasons),
        alternatives=len(turns.alternatives),
        verdict=result.verdict,
        readings=len(trace),
        seconds=seconds,
    )


def off_orders(runout: Runout, orders: tuple[Order, ...]) -> tuple[float, ...]:
    """Errors of the amplitudes of orders 1 and 2, um."""
    return tuple(
        float(found.amplitude_um - true.amplitude_um)
        for found, true in zip(runout.orders[:2], orders, strict=False)
    )


def judged_truth_um(recording: Recording, turns: Turns) -> float:
    """The true movement of the whole turn in which it is largest, of the turns that were laid out."""
    truth = recording.truth.turn
    first = float(np.interp(turns.starts_s[0], recording.time_s, recording.truth.angle_deg))
    return max(truth.fim_per_turn_um(first) or truth.fim_per_turn_um() or (truth.repeatable_um,))


def off_high_spot(recording: Recording, runout: Runout, turns: Turns) -> float | None:
    """Error of the high spot's angle from the mark, degrees; None without a mark or an angle.

    Where two places of the flange are alike within 0.3 um either is the high spot.
    """
    if turns.found_by not in ("marks", "angle") or runout.high_spot_deg is None:
        return None
    surface = recording.truth.turn.surface
    height = surface.on_grid_um()
    grid = np.arange(height.size) * 360.0 / height.size
    high = grid[height >= height.max() - 0.3]
    apart = np.abs((runout.high_spot_deg - high + 180.0) % 360.0 - 180.0)
    return float(apart.min())


def off_cage(recording: Recording, runout: Runout) -> float | None:
    """Error of the slow wobble's amplitude, um; None where there is none worth finding, or none was found."""
    cage_um = recording.truth.turn.bearing.cage_um
    if cage_um < 1.0 or not runout.orders:
        return None
    return (runout.slow_um or 0.0) - cage_um


def played(case: str, seed: int) -> Play:
    """One seed of an end-play case."""
    recording = accuracy_case(case, seed)
    result = measure_endplay(trace_of(recording))
    u = result.uncertainty_mm
    expanded = 0.0 if u is None else 1000.0 * u.expanded
    step_um = recording.resolution_nm / 1000.0
    if result.play_mm is None:
        return Play(None, 0.0, expanded, step_um)
    play_um = 1000.0 * result.play_mm
    hub_um = play_at_mean_force_um(recording)
    return Play(play_um - recording.truth.strokes.play_um, play_um - hub_um, expanded, step_um)


def play_at_mean_force_um(recording: Recording) -> float:
    """The travel of the simulated hub between a push and a pull with the hand's mean force."""
    force_n = next(deed.action.force_n for deed in recording.truth.deeds if isinstance(deed.action, Strokes))
    pushes = np.array([0.0, -force_n, force_n, -force_n, force_n])
    moved, _ = follow(recording.truth.workshop.hub.bearing, pushes, Seat())
    return float(moved[-1] - moved[-2])
