"""A record as a workshop has it after some days, made from closed forms; everything in it is invented."""

from __future__ import annotations

import math
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from analysis.record import RunRef, Store
from analysis.record.jobs import Jobs
from analysis.values import Setup
from capture.folder import DATABASE
from capture.jobs import begin, path_of
from capture.measuring import conclude
from capture.messages import RunRequest
from config.indicators import indicator_named, load_indicators
from config.limits import Limit
from config.path import find_step
from config.settings import default_limit, load_limits

RATE_HZ = 25.0
TURN_S = 4.0
START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
TECHNICIAN = "A. Example"


def turned(swing_um: float, high_deg: float) -> list[tuple[float, float]]:
    """(s, um) of a tilted flange turned evenly, highest `high_deg` after the mark, which passes at 0 s."""
    times = [i / RATE_HZ for i in range(round(3.4 * TURN_S * RATE_HZ))]
    return [(t, swing_um / 2 * math.cos(math.radians(360 * t / TURN_S - high_deg))) for t in times]


def pushed(play_um: float) -> list[tuple[float, float]]:
    """(s, um) of three strokes: 1.6 s pushed in, 1.6 s pulled out."""
    return [(i / RATE_HZ, play_um * (int(i / RATE_HZ / 1.6) % 2)) for i in range(round(9.6 * RATE_HZ))]


def add_run(
    store: Store, kind: str, readings: list[tuple[float, float]], after_s: float, **more: Any
) -> RunRef:
    """A run of the record with its result, as the station would have kept it."""
    indicator = indicator_named("bench", load_indicators())
    request = RunRequest(kind=kind, **more)
    limit: Limit | None = default_limit(kind, load_limits())
    setup = Setup(permissible_error_um=indicator.permissible_error_nm / 1000)
    ref = store.begin_run(
        kind,
        indicator.model_dump(mode="json"),
        settings={
            **request.model_dump(mode="json", exclude_none=True),
            "applied_setup": asdict(setup),
            "applied_limit": None if limit is None else asdict(limit),
        },
        started_t_ns=0,
        started_utc=START + timedelta(seconds=after_s),
        job=request.job,
        wheel=request.wheel,
        stage=request.stage,
    )
    rows = [(i, round(t * 1e9), round(um) * 1000, None, None) for i, (t, um) in enumerate(readings)]
    store.append_readings(ref.key, rows)
    if kind == "runout":
        for turn in range(4):
            store.add_mark(ref.key, round(turn * TURN_S * 1e9))
    store.end_run(ref.key, "done", rows[-1][1])
    result, profiles = conclude(request, store.trace(ref.id), limit, setup)
    assert result is not None
    store.save_result(ref.key, result, profiles)
    return ref


def fill(folder: Path) -> dict[str, str]:
    """Make the record; returns the ids of what is in it."""
    with Jobs.open(folder / DATABASE) as jobs:
        sheet = {"technician": TECHNICIAN, "vehicle": "Invented estate", "complaint": "hums"}
        maker = {"wheel": "front left", "limits": {"runout": "0.05 mm"}, "source": "invented manual, page 7"}
        job, _ = begin(jobs, sheet, [maker, {"wheel": "front right"}])
    place = {"job": job, "wheel": "front left"}
    with Store.open(folder / DATABASE) as store:
        runs = {
            "found": add_run(store, "runout", turned(90, 60), 0, stage="as found", studs=5, **place).id,
            "after": add_run(store, "runout", turned(24, 200), 5000, stage="after repair", **place).id,
            "play": add_run(store, "endplay", pushed(60), 60, stage="as found", **place).id,
        }
        store.keep(runs["after"], "thrown away", "the holder moved")
    with Jobs.open(folder / DATABASE) as jobs:
        steps = path_of(folder)
        for step, answer in (("vehicle_secured", "yes"), ("turning", "rough")):
            found = jobs.find(job)
            end = found.wheel("front left")
            jobs.answer(found, end, find_step(steps, step), answer, TECHNICIAN)
        found = jobs.find(job)
        for step, run in (("runout_found", runs["found"]),):
            jobs.answer(found, found.wheel("front left"), find_step(steps, step), "over", TECHNICIAN, run=run)
    return {"job": job, **runs}
