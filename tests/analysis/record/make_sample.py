"""Writes a sample record of this version of the tables, to be kept before the tables change.

    python -m tests.analysis.record.make_sample tests/data/records/version_N.sql

Run it in a checkout of the last commit of version N. The workshop and the vehicle are invented.
"""

from __future__ import annotations

import math
import sqlite3
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from analysis.measure import measure_endplay
from analysis.record import Reading, Store
from analysis.record.jobs import Jobs
from capture.commands import run as hubproof
from config.clock import SteppedClock

START = datetime(2026, 2, 3, 9, 0, tzinfo=UTC)
START_NS = 1_000_000_000
INDICATOR = {"name": "bench", "serial_number": "INVENTED-0001", "resolution_nm": 1000}
ANSWERS = (("vehicle_secured", "yes"), ("turning", "rough"), ("seal", "sound"))


def main() -> None:
    out = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        job = a_job(data)
        with Store.open(data / "hubproof.sqlite", clock=SteppedClock(START)) as store:
            for kind in ("endplay", "runout"):
                a_run(store, kind, job)
            cut_off = store.begin_run(
                "trace", {"name": "bench"}, settings={}, started_t_ns=0, started_utc=START
            )
            store.append_readings(
                cut_off.key, [(seq, seq * 10_000_000, 1000 * seq, None, None) for seq in range(20)]
            )
            assert store.verify().differences == ()
        connection = sqlite3.connect(data / "hubproof.sqlite")
        version, ours = (connection.execute(f"PRAGMA {name}").fetchone()[0] for name in PRAGMAS)
        head = f"-- A record of version {version} as that version wrote it; an invented workshop and vehicle."
        pragmas = f"PRAGMA application_id = {ours};\nPRAGMA user_version = {version};"
        out.write_text("\n".join([head, pragmas, *connection.iterdump(), ""]), encoding="utf-8")
        connection.close()


PRAGMAS = ("user_version", "application_id")


def a_job(data: Path) -> str:
    """Opened, with three answers; its id."""
    opened = ("--vehicle", "invented hatchback", "--complaint", "hums at speed", "--limit", "endplay=0.1 mm")
    who = ("--technician", "A. Invented", "--data", str(data))
    hubproof(["job", "open", "--wheel", "front left", "--source", "invented manual", *opened, *who])
    for step, answer in ANSWERS:
        hubproof(["job", "step", "last", step, answer, *who])
    with Jobs.open(data / "hubproof.sqlite") as jobs:
        return jobs.find("last").id


def a_run(store: Store, kind: str, job: str) -> None:
    ref = store.begin_run(
        kind,  # type: ignore[arg-type]
        INDICATOR,
        settings={"kind": kind},
        started_t_ns=START_NS,
        started_utc=START,
        job=job,
        wheel="front left",
        stage="as found",
    )
    rows: list[Reading] = [
        (seq, START_NS + seq * 60_000_000, 1000 * shown_um(kind, seq), None, None) for seq in range(160)
    ]
    rows[100] = (100, rows[100][1], rows[100][2], "hold is on", "+0.006mmH")
    rows[101] = (101, rows[101][1], None, "unreadable", "+0.0?7mm")
    store.append_readings(ref.key, rows)
    for mark_s in (3, 7):
        store.add_mark(ref.key, mark_s * 1_000_000_000)
    store.add_event(ref.key, 5_000_000_000, "gap", "no reading for 1.00 s: nothing arrives")
    store.end_run(ref.key, "done", rows[-1][1])
    if kind == "endplay":
        store.save_result(ref.key, measure_endplay(store.trace(ref.id)))


def shown_um(kind: str, seq: int) -> int:
    return round(40 * math.sin(seq / 12)) if kind == "runout" else 60 * (seq // 40 % 2)


if __name__ == "__main__":
    main()
