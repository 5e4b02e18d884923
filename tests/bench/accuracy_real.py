"""Real records beside the checkout, against what their makers read off or what was computed elsewhere.

The records have no licence of their own (../shared/datasets/README.md names each source), so they are read
where they lie and never copied; a folder that is not there gives no rows.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.circles import fit_circle
from analysis.harmonics import fit_orders
from analysis.measure import measure_endplay
from analysis.runout import take_apart
from analysis.tip_runout import clean_tips, take_tips_apart
from analysis.trace import Trace
from analysis.turns import find_turns
from analysis.values import Cleaned

Real = tuple[str, str, int, float | None, float | None, float | None]
FOLDER = Path(__file__).parents[2].parent / "shared" / "datasets"
GEAR_RATE = 9.1
CONTRADICTED = ("set2_E16.csv", "set2_E20.csv")


def rows_in(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file with comment lines."""
    with path.open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def gear_rows() -> list[Real]:
    """Each record against the hand reading and 95 teeth a turn, then the two sets."""
    folder = FOLDER / "gear_tip_indicator"
    if not folder.is_dir():
        return []
    rows: list[Real] = []
    off: dict[str, dict[str, float]] = {"set1": {}, "set2": {}}
    for line in rows_in(folder / "summary.csv"):
        name, hand = line["file"], 1000.0 * float(line["hand_runout_mm"])
        values = np.array([float(row["value_mm"]) for row in rows_in(folder / name)]) * 1000.0
        cleaned = clean_tips(Trace(np.arange(values.size) / GEAR_RATE, values))
        if cleaned is None:
            rows.append((name, "tips", 0, None, None, None))
            continue
        turns, runout = take_tips_apart(cleaned)
        tips = len(cleaned.trace)
        if runout.repeatable_um is not None:
            off[name[:4]][name] = runout.repeatable_um - hand
            said = "against the hand reading, um" + (" (a slip of the pen)" if name in CONTRADICTED else "")
            rows.append((name, said, tips, runout.repeatable_um - hand, None, None))
        if turns.total is not None and name.startswith("set2"):
            rows.append((name, "tips a turn (95 teeth)", tips, tips / turns.total, 93.0, 97.0))
        elif turns.total is not None:
            rows.append(
                (name, "turns by the tips over turns found", tips, tips / 95.0 / turns.total, None, None)
            )
    for name, most in (("set1", 3.0), ("set2", 1.5)):
        plain = [abs(value) for key, value in off[name].items() if key not in CONTRADICTED]
        every = [abs(value) for value in off[name].values()]
        rows.append((name, "median difference, um", len(plain), float(np.median(plain)), None, most))
        rows.append(
            (name, "within 6 um, %", len(every), 100 * float(np.mean(np.array(every) < 6)), 80.0, None)
        )
    return rows


def roundness_rows() -> list[Real]:
    """Order 1 of a roundness trace; the spike at 217.7 degrees is found by the cleaning, not by hand."""
    path = FOLDER / "roundness_trace" / "trace_3600.csv"
    if not path.is_file():
        return []
    angle, reading = columns(path).T
    plain = fit_orders(angle, reading, 3).coefficients
    kept = np.abs(angle - 217.7) > 1.6
    without = fit_orders(angle[kept], reading[kept], 3).coefficients
    return [
        ("roundness_trace", "order 1", 3600, float(np.hypot(*plain[1:3])), 201.37, 201.38),
        (
            "roundness_trace",
            "order 1, spike aside",
            int(kept.sum()),
            float(np.hypot(*without[1:3])),
            201.50,
            201.52,
        ),
    ]


def columns(path: Path) -> NDArray[np.float64]:
    """All numbers of a CSV file."""
    with path.open(encoding="utf-8") as file:
        lines = list(csv.reader(line for line in file if not line.startswith("#")))[1:]
    return np.array(lines, dtype=np.float64)


def split_rows() -> list[Real]:
    """What repeats every turn and what does not, of a torque over 20 whole turns."""
    path = FOLDER / "sync_async" / "torque_60rpm.csv"
    if not path.is_file():
        return []
    turns, per_turn = 20, 1000
    torque = columns(path)[: turns * per_turn, 1]
    mean = torque.reshape(turns, per_turn).mean(axis=0)
    left = float(np.sqrt(np.mean((torque - np.tile(mean, turns)) ** 2)))
    angle = 360.0 * np.arange(torque.size) / per_turn
    seen = Trace(np.arange(torque.size) / per_turn, torque, angle_deg=angle, resolution_um=1e-4)
    everything = np.ones(torque.size, np.bool_)
    cleaned = Cleaned(seen, everything, (), False, 0.05, 1e-4, np.zeros(torque.size))
    runout = take_apart(cleaned, find_turns(cleaned))
    assert runout.profiles is not None
    slow = runout.profiles.turns_um - runout.profiles.repeatable_um
    rest = float(np.hypot(runout.noise_um or 0.0, float(np.std(slow))))
    said = float(np.std(runout.profiles.repeatable_um))
    return [
        ("sync_async", "repeatable, rms", torque.size, said, 1.2161, 1.2561),
        ("sync_async", "repeatable by plain means, rms", torque.size, float(np.std(mean)), 1.2351, 1.2371),
        ("sync_async", "remaining, rms", torque.size, rest, 0.2528, 0.3128),
        ("sync_async", "remaining by plain means, rms", torque.size, left, 0.2746, 0.2766),
    ]


def lost_motion_rows() -> list[Real]:
    """Lost motion between two approaches of a dial, from rest levels; readings were copied by hand."""
    path = FOLDER / "lost_motion" / "dial_readings.csv"
    if not path.is_file():
        return []
    rows: list[Real] = []
    listed = rows_in(path)
    for target, lost in (("20.0", 64.0), ("40.0", 50.5), ("60.0", 17.5)):
        sides = [
            [
                float(r["reading_at_target_mm"])
                for r in listed
                if (r["approach"], r["target_mm"]) == (side, target)
            ]
            for side in ("below", "above")
        ]
        found = measure_endplay(held([level for pair in zip(*sides, strict=True) for level in pair])).play_mm
        figure = None if found is None else 1000.0 * found
        rows.append(("lost_motion", f"at {target} mm, um", 10, figure, lost - 1.0, lost + 1.0))
    flagged = 0
    for target, code in (("20.0", "hold_stands_out"), ("60.0", "stroke_set_aside")):
        levels = [
            float(r[column])
            for r in listed
            if (r["approach"], r["target_mm"]) == ("below", target)
            for column in ("reading_at_target_mm", "reading_at_retreat_mm")
        ]
        flagged += sum(reason.code == code for reason in measure_endplay(held(levels)).reasons)
    return [*rows, ("lost_motion", "copying slips flagged, of 3", 3, float(flagged), 3.0, None)]


def held(levels_mm: list[float]) -> Trace:
    """Levels as a dial of 0.5 um steps would have shown them, each for one second."""
    reading = np.repeat(1000.0 * np.asarray(levels_mm), 10)
    return Trace(np.arange(reading.size) * 0.1, reading, resolution_um=0.5)


def circle_rows() -> list[Real]:
    """The certified circles: the worst difference of centre and radius, over the radius."""
    folder = FOLDER / "nist_circle2d"
    if not folder.is_dir():
        return []
    worst, good = 0.0, 0
    files = sorted(folder.glob("*.ds"))
    for path in files:
        points = np.loadtxt(path, skiprows=1)
        fit = np.loadtxt(path.with_suffix(".fit")).ravel()
        across = [axis for axis in range(3) if axis != int(np.argmax(np.abs(fit[3:6])))]
        found = fit_circle(points[:, across[0]], points[:, across[1]])
        certified = np.array([*fit[:3][across], fit[6] / 2.0])
        off = float(np.abs(np.array([found.x, found.y, found.radius]) - certified).max()) / certified[2]
        worst, good = max(worst, off), good + (off <= 1e-9)
    return [
        (
            "nist_circle2d",
            "circles within 1e-9 of the radius",
            len(files),
            float(good),
            float(len(files)),
            None,
        ),
        ("nist_circle2d", "worst difference, parts in 1e12", len(files), 1e12 * worst, None, 1000.0),
    ]


def real_rows() -> list[Real]:
    """All rows."""
    return [*gear_rows(), *roundness_rows(), *split_rows(), *lost_motion_rows(), *circle_rows()]
