"""Counting of turns, run-out, orders and end play against the simulator's truth, case by case.

    python -m tests.bench.accuracy [--seeds 300] [--from-seed 0] [--cases gentle-1um,stops] [--time] [--real]

One table: a row for every figure of every case, the target beside it, `ok` or `MISSES` at the end. Shares
are percent of the answers that were stated outright (confidence 0.8 or more) unless the row says otherwise;
errors are absolute, in micrometres, at the 95th percentile. `over bound` is the rms error of an order's
amplitude over its Cramér-Rao bound with the angle known (from stops: of the rests alone); `over bound of
unknown angle` is over what a pair of indicators allows when only its readings tell the angle. `covered` is
how often the stated 95 % interval holds the truth. Nothing here fails: the figures are for reading.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # or small fits wait for each other's threads

import numpy as np

from tests.bench.accuracy_real import real_rows
from tests.bench.accuracy_runs import TWO_SIDED_95, Play, Seen, played, turned
from tests.bench.accuracy_time import time_rows

MANNERS = ("gentle", "ordinary", "hard")
FINE = {"gentle": (99.0, 99.5, 0.8, 0.0), "ordinary": (98.0, 99.5, 0.9, 0.3), "hard": (94.0, 99.0, 1.0, 0.5)}
NAMES = {
    "pure-order-2": {"turn_or_half_turn"},
    "flat": {"flat"},
    "one-turn": {"no_whole_turn", "turns_ambiguous", "turns_unknown", "no_repetition", "short_trace"},
    "slip": {"slip", "holder_slipped"},
    "re-zero": {"rezero", "re_zero"},
    "spikes": {"spikes"},
    "curved-drift": {"drift", "curved_drift"},
    "narrow-bump": {"narrow_bump"},
    "worn-cage": {"slow_motion"},
    "unit-switch": {"unit_switched"},
    "stuck": {"stuck_readings"},
    "clock-jump": {"clock_jump"},
}
TROUBLED = tuple(name for name in NAMES if name != "worn-cage")
ENDPLAY = ("endplay-1um", "endplay-10um", "endplay-12.7um")
TURNED = (
    "angle", "stops", "two-on-one-face",
    *(f"{manner}-1um" for manner in MANNERS),
    *(f"{manner}-{step}" for step in ("10um", "12.7um") for manner in MANNERS),
    *(f"marks-{manner}" for manner in MANNERS),
    "worn-cage", *TROUBLED,
)  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One figure of the table with its target: at least, at most, or between."""

    case: str
    what: str
    count: int
    figure: float | None
    least: float | None = None
    most: float | None = None

    def line(self) -> str:
        """The row as text."""
        if self.least is not None and self.most is not None:
            target = f"{self.least:g} to {self.most:g}"
        else:
            target = (
                f">= {self.least:g}"
                if self.least is not None
                else f"<= {self.most:g}"
                if self.most is not None
                else ""
            )
        shown = "-" if self.figure is None else f"{self.figure:.2f}"
        return f"{self.case:16s} {self.what:44s} {self.count:5d} {shown:>9s}   {target:12s} {self._said()}"

    def _said(self) -> str:
        if self.figure is None or (self.least is None and self.most is None):
            return ""
        low = self.least is None or self.figure >= self.least
        high = self.most is None or self.figure <= self.most
        return "ok" if low and high else "MISSES"


def percent(which: Iterable[bool]) -> float | None:
    """Share of true values, percent; None of nothing."""
    values = list(which)
    return 100.0 * sum(values) / len(values) if values else None


def p95(values: Sequence[float]) -> float | None:
    """95th percentile of the absolute values; None of nothing."""
    return float(np.quantile(np.abs(values), 0.95)) if values else None


def turned_rows(case: str, seen: Sequence[Seen]) -> list[Row]:
    """All rows of a case in which the hub is turned."""
    sure = [one for one in seen if one.sure]
    rows = [*count_rows(case, seen, sure), *runout_rows(case, sure), *order_rows(case, sure)]
    if case in NAMES:
        rows.append(named_row(case, seen))
    spots = [one for one in sure if one.off_high_spot_deg is not None]
    if case.startswith("marks"):
        near = percent(abs(one.off_high_spot_deg or 0.0) <= 5.0 + 2 * one.jitter_deg for one in spots)
        rows.append(Row(case, "high spot within 5 deg + jitter (2 sd), %", len(spots), near, least=95.0))
        once = percent(abs(one.off_high_spot_deg or 0.0) <= 5.0 + one.jitter_deg for one in spots)
        rows.append(Row(case, "high spot within 5 deg + jitter (1 sd), %", len(spots), once))
        held = percent(
            abs(one.off_high_spot_deg or 0.0) <= TWO_SIDED_95 * (one.high_spot_standard_deg or 0.0)
            for one in spots
        )
        rows.append(Row(case, "high spot covered, %", len(spots), held, least=93.0))
    cage = [one.off_cage_um for one in sure if one.off_cage_um is not None]
    if cage:
        rows.append(Row(case, "wobble's amplitude, p95 um", len(cage), p95(cage), most=0.5))
    return rows


def count_rows(case: str, seen: Sequence[Seen], sure: Sequence[Seen]) -> list[Row]:
    """How often the count was right, refused, and wrong though stated outright."""
    manner, _, step = case.partition("-")
    tenth, quarter, wrong, refused = None, None, 0.5, None
    if step == "1um":
        tenth, quarter, _, wrong = FINE[manner]
    elif step in ("10um", "12.7um"):
        tenth, quarter, refused = 90.0, 98.0, 15.0
    elif case.startswith("marks") or case in ("angle", "stops", "two-on-one-face"):
        quarter = 99.5
    elif case == "worn-cage":
        quarter = 95.0
    off = [abs(one.off_turns or 0.0) for one in sure]
    rows = [
        Row(case, "count within 0.1 turn, %", len(off), percent(o <= 0.1 for o in off), least=tenth),
        Row(case, "count within 0.25 turn, %", len(off), percent(o <= 0.25 for o in off), least=quarter),
        Row(
            case, "not stated outright, % of all", len(seen), percent(not o.sure for o in seen), most=refused
        ),
        Row(case, "confidently wrong, % of all", len(seen), percent(o.wrong for o in seen), most=wrong),
    ]
    if case == "worn-cage":  # of all runs, or it would pay to refuse
        rows[1] = Row(
            case,
            "count within 0.25 turn, % of all",
            len(seen),
            percent(one.off_turns is not None and abs(one.off_turns) <= 0.25 for one in seen),
            least=quarter,
        )
    return rows


def runout_rows(case: str, sure: Sequence[Seen]) -> list[Row]:
    """Errors of the run-out, and how often its interval holds the truth."""
    manner, _, step = case.partition("-")
    most = 1.5
    if case in ("angle", "stops", "two-on-one-face"):
        most = 0.5
    elif step == "1um":
        most = FINE[manner][2]
    elif step in ("10um", "12.7um"):
        most = 4.0
    elif case.startswith("marks"):
        most = FINE[step][2]
    elif case == "worn-cage":
        most = 1.5
    right = [one for one in sure if not one.wrong]
    repeatable = [one.off_runout_um for one in right if one.off_runout_um is not None]
    judged = [(one.off_judged_um, one.expanded_um) for one in right if one.off_judged_um is not None]
    off = [o for o, _ in judged]
    bias = float(np.mean(repeatable)) if repeatable else None
    known = [one.off_known_um for one in right if one.off_known_um is not None]
    more = [Row(case, "the same with the true angle given, p95 um", len(known), p95(known))] if known else []
    return [
        Row(case, "repeatable run-out, p95 um", len(repeatable), p95(repeatable), most=most),
        *more,
        Row(case, "repeatable run-out, mean error um", len(repeatable), bias),
        Row(case, "judged run-out, p95 um", len(off), p95(off)),
        Row(case, "judged run-out covered, %", len(off), percent(abs(o) <= u for o, u in judged), 93.0, 97.5),
    ]


def order_rows(case: str, sure: Sequence[Seen]) -> list[Row]:
    """Errors of orders 1 and 2 over the bound, and how often their intervals hold the truth."""
    most = {"angle": 1.2, "stops": 1.2, "two-on-one-face": 2.0}.get(case)
    right = [one for one in sure if not one.wrong]
    rows = []
    for k in range(2):
        have = [one for one in right if len(one.off_orders_um) > k]
        over = [one.off_orders_um[k] / one.order_bounds_um[k] for one in have]
        rms = float(np.sqrt(np.mean(np.square(over)))) if over else None
        held = percent(abs(one.off_orders_um[k]) <= TWO_SIDED_95 * one.order_standards_um[k] for one in have)
        rows.append(Row(case, f"order {k + 1}, rms error over bound", len(have), rms, most=most))
        pair = [one.off_orders_um[k] / one.pair_bounds_um[k] for one in have if one.pair_bounds_um]
        if pair:
            rms = float(np.sqrt(np.mean(np.square(pair))))
            rows.append(Row(case, f"order {k + 1}, over bound of unknown angle", len(pair), rms, most=2.0))
        rows.append(Row(case, f"order {k + 1} covered, %", len(have), held, 93.0, 97.5))
    return rows


def named_row(case: str, seen: Sequence[Seen]) -> Row:
    """How often what the case is about was said, in the reasons or by alternatives."""
    said = percent(bool(one.codes & NAMES[case]) or bool(one.alternatives) for one in seen)
    only = case in ("pure-order-2", "one-turn")
    by_reason = said if only else percent(bool(one.codes & NAMES[case]) for one in seen)
    return Row(case, "named in reasons or alternatives, %", len(seen), by_reason, least=99.0)


def play_rows(case: str, plays: Sequence[Play]) -> list[Row]:
    """Errors of the end play and its interval."""
    have = [one for one in plays if one.off_um is not None]
    off = [one.off_um or 0.0 for one in have]
    most = 1.0 if case.endswith("-1um") else 0.8 * plays[0].step_um
    covered = percent(abs(one.off_hub_um) <= one.expanded_um for one in have)
    return [
        Row(case, "end play found, %", len(plays), percent(one.off_um is not None for one in plays)),
        Row(case, "end play, p95 um", len(off), p95(off), most=most),
        Row(case, "end play covered, %", len(off), covered, 93.0, 97.5),
    ]


def rows_of(case: str, seeds: range) -> list[Row]:
    """All rows of a case."""
    if case.startswith("endplay"):
        return play_rows(case, [played(case, seed) for seed in seeds])
    return turned_rows(case, [turned(case, seed) for seed in seeds])


def show(rows: Callable[[], list[Row]]) -> None:
    """Print rows as soon as they are known."""
    for row in rows():
        print(row.line(), flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=int, default=300)
    parser.add_argument("--from-seed", type=int, default=0)
    parser.add_argument("--cases", default=",".join((*TURNED, *ENDPLAY)), help="comma between; none for none")
    parser.add_argument("--time", action="store_true", help="add how long it takes")
    parser.add_argument("--real", action="store_true", help="add the real records beside the checkout")
    given = parser.parse_args()
    print(f"{'case':16s} {'what':44s} {'n':>5s} {'figure':>9s}   target")
    seeds = range(given.from_seed, given.from_seed + given.seeds)
    for case in given.cases.split(","):
        if case != "none":
            show(lambda case=case: rows_of(case, seeds))  # type: ignore[misc]
    if given.time:
        show(lambda: [Row(*row) for row in time_rows()])
    if given.real:
        show(lambda: [Row(*row) for row in real_rows()])


if __name__ == "__main__":
    main()
