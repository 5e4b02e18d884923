"""How long an analysis takes: processor time, best of a few, and how it grows with the readings."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from analysis.measure import measure_runout
from analysis.trace import Trace

Timed = tuple[str, str, int, float, float | None, float | None]


def flange(readings: int, turns: float, *, with_angle: bool) -> Trace:
    """A flange turned unevenly, read in steps of 1 um."""
    rng = np.random.default_rng(3)
    time_s = np.linspace(0.0, 20.0, readings)
    turned = turns * (time_s / 20.0 + 0.02 * np.sin(1.1 * time_s))
    angle = 2.0 * np.pi * turned
    exact = 20.0 * np.cos(angle) + 7.0 * np.cos(2 * angle + 1.0) + np.cos(5 * angle) + 0.4 * np.cos(9 * angle)
    read = np.round(exact + rng.normal(0.0, 0.3, readings))
    return Trace(time_s, read, angle_deg=np.rad2deg(angle) if with_angle else None, resolution_um=1.0)


def took_ms(work: Callable[[], object], times: int = 5) -> float:
    """Least processor time of a few, ms; the first, which loads things, is not counted."""
    work()
    best = np.inf
    for _ in range(times):
        began = time.process_time()
        work()
        best = min(best, time.process_time() - began)
    return 1000.0 * float(best)


def time_rows() -> list[Timed]:
    """Rows of the table."""
    rows: list[Timed] = []
    few = flange(500, 3.6, with_angle=False)
    rows.append(
        ("time", "500 readings, turns found, ms", 500, took_ms(lambda: measure_runout(few)), None, 200.0)
    )
    known = flange(500, 3.6, with_angle=True)
    rows.append(
        ("time", "500 readings with an angle, ms", 500, took_ms(lambda: measure_runout(known)), None, 20.0)
    )
    took = []
    for readings in (125_000, 250_000, 500_000, 1_000_000):
        trace = flange(readings, 12.3, with_angle=True)
        took.append(took_ms(lambda trace=trace: measure_runout(trace), 2))  # type: ignore[misc]
        most = 2000.0 if readings == 1_000_000 else None
        rows.append(("time", f"{readings} readings with an angle, ms", readings, took[-1], None, most))
    rows.append(("time", "growth from 250 000 to 1 000 000 readings", 4, took[3] / took[1], None, 4.8))
    return rows
