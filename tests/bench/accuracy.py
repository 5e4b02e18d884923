"""Counting of turns and run-out against the simulator's truth, case by case.

    python -m tests.bench.accuracy [--seeds 200] [--cases gentle-1um,hard-1um]

One row a case. `<=0.1` and `<=0.25`: shares of the counts that were answered (confidence 0.8 or more) and lie
that near the truth, in turns. `refused`: the rest. `wrong`: share of all that was answered and is off by more
than a quarter turn. Run-out (repeatable) and orders: errors of the answered ones; `bound` is the ratio of the
orders' error to the Cramér-Rao bound of a known angle (P. Stoica, R. Moses, "Spectral Analysis of Signals",
2005, appendix B; for a linear model the least-squares covariance). `named`: share in which the reason that
the case is about was given. Nothing here passes or fails.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.cleaning import clean
from analysis.runout import Runout, take_apart
from analysis.turns import find_turns
from analysis.values import Cleaned, Turns
from simulators.accuracy import accuracy_case
from simulators.recording import Recording
from tests.recordings import trace_of

CASES = (
    *(f"{manner}-{step}" for step in ("1um", "10um", "12.7um") for manner in ("gentle", "ordinary", "hard")),
    *(f"marks-{manner}" for manner in ("gentle", "ordinary", "hard")),
    "angle", "stops", "two-on-one-face", "worn-cage", "pure-order-2", "flat", "one-turn",
    "slip", "re-zero", "spikes", "curved-drift", "narrow-bump", "unit-switch", "stuck", "clock-jump",
)  # fmt: skip
NAMES = {
    "pure-order-2": {"turn_or_half_turn"},
    "flat": {"flat"},
    "worn-cage": {"slow_motion"},
    "slip": {"slip"},
    "re-zero": {"rezero"},
    "spikes": {"spikes"},
    "curved-drift": {"drift", "curved_drift"},
    "unit-switch": {"unit_switched"},
    "stuck": {"stuck_readings"},
    "clock-jump": {"clock_jump"},
}
SURE = 0.8


@dataclass(frozen=True)
class Seen:
    """One recording: how far off each figure is (None without one), and what was said."""

    off_turns: float | None
    confidence: float
    found_by: str
    off_runout_um: float | None
    order_ratios: tuple[float, ...]
    high_spot_off_deg: float | None
    codes: frozenset[str]
    seconds: float

    @property
    def sure(self) -> bool:
        return self.off_turns is not None and self.confidence >= SURE


def seen(case: str, seed: int) -> Seen:
    """One seed of a case, cleaned, counted and taken apart."""
    recording = accuracy_case(case, seed)
    trace = trace_of(recording)
    face_deg = recording.truth.workshop.second_touches.at_deg if case == "two-on-one-face" else None
    began = time.process_time()
    cleaned = clean(trace)
    turns = find_turns(cleaned, second_face_deg=face_deg)
    seconds = time.process_time() - began
    runout = take_apart(cleaned, turns)
    truth = recording.truth.turn
    off = None if turns.total is None or cleaned.refused else turns.total - truth.total_turns
    return Seen(
        off,
        turns.confidence,
        turns.found_by,
        None if runout.repeatable_um is None else runout.repeatable_um - truth.surface.fim_um(),
        order_ratios(recording, cleaned, runout) if case in ("angle", "two-on-one-face") else (),
        high_spot_off(recording, runout, turns),
        frozenset(note.code for note in (*cleaned.notes, *turns.notes, *runout.notes)),
        seconds,
    )


def order_ratios(recording: Recording, cleaned: Cleaned, runout: Runout) -> tuple[float, ...]:
    """Errors of the amplitudes of orders 1 and 2 over the bound of a known angle."""
    angle = np.deg2rad(np.asarray(recording.truth.angle_deg, dtype=np.float64)[cleaned.kept])
    columns = [np.ones(angle.size), np.linspace(-1.0, 1.0, angle.size)]
    for order in range(1, 16):
        columns += [np.cos(order * angle), np.sin(order * angle)]
    design = np.column_stack(columns)
    gauge = recording.truth.workshop.gauge
    variance = gauge.noise_um**2 + (gauge.step_nm / 1000.0) ** 2 / 12.0
    covariance = variance * np.diag(np.linalg.inv(design.T @ design))
    true = recording.truth.turn.surface.harmonics(2)
    ratios = []
    for found, order in zip(runout.orders[:2], true, strict=False):
        place = 2 * order.order
        bound = np.sqrt(0.5 * (covariance[place] + covariance[place + 1]))
        ratios.append(float((found.amplitude_um - order.amplitude_um) / bound))
    return tuple(ratios)


def high_spot_off(recording: Recording, runout: Runout, turns: Turns) -> float | None:
    """How far the high spot's angle from the mark is off, degrees; None without a mark or an angle."""
    if turns.found_by not in ("marks", "angle") or runout.high_spot_deg is None:
        return None
    apart = runout.high_spot_deg - recording.truth.turn.surface.high_spot_deg()
    return float((apart + 180.0) % 360.0 - 180.0)


def row(case: str, all_seen: Sequence[Seen]) -> str:
    """The figures of a case as one line."""
    sure = [one for one in all_seen if one.sure]
    off = np.abs([one.off_turns for one in sure if one.off_turns is not None])
    runout = np.abs([one.off_runout_um for one in sure if one.off_runout_um is not None])
    ratios = np.array([one.order_ratios[:2] for one in sure if len(one.order_ratios) >= 2])
    named = NAMES.get(case)
    spots = np.abs([one.high_spot_off_deg for one in sure if one.high_spot_off_deg is not None])
    cells = [
        f"{case:16s}",
        f"{len(all_seen):4d}",
        share(off <= 0.1),
        share(off <= 0.25),
        share(np.array([not one.sure for one in all_seen])),
        share(np.array([one.sure and abs(one.off_turns or 0.0) > 0.25 for one in all_seen])),
        f"{np.median(runout):5.2f} {np.quantile(runout, 0.95):5.2f}" if runout.size else "    -     -",
        " ".join(f"{value:4.1f}" for value in np.sqrt(np.mean(ratios**2, axis=0)))
        if ratios.size
        else "  -    -",
        f"{np.median(spots):5.1f}" if spots.size else "    -",
        share(np.array([bool(one.codes & named) for one in all_seen])) if named else "    -",
        f"{1e3 * np.median([one.seconds for one in all_seen]):5.0f}",
    ]
    return "  ".join(cells)


def share(which: np.ndarray) -> str:
    """Percent of true values."""
    return f"{100.0 * float(np.mean(which)):5.1f}" if which.size else "    -"


def main() -> None:
    """Print the table, a row as soon as it is known."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--from-seed", type=int, default=0)
    parser.add_argument("--cases", default=",".join(CASES))
    given = parser.parse_args()
    print(
        "case                  n  <=0.1  <=0.25 refused wrong  run-out p50/95  bound 1/2  spot  named     ms"
    )
    for case in given.cases.split(","):
        seeds = range(given.from_seed, given.from_seed + given.seeds)
        print(row(case, [seen(case, seed) for seed in seeds]), flush=True)


if __name__ == "__main__":
    main()
