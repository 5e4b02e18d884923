"""10,000 jobs with 60,000 runs: every list and the history, as commands and page ask for them.

    python -m tests.bench.many_jobs [JOBS]

Prints a table (median and worst of seven askings, ms); exit status 1 when one takes 200 ms or more.
"""

from __future__ import annotations

import json
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from analysis.record import Store, uuid7
from analysis.record.database import connect
from analysis.record.jobs import Jobs
from analysis.record.studies import Studies
from analysis.results import Counts, EndplayResult, LimitOut
from capture.job_view import view
from config.path import load_path

LIMIT_MS, ASKINGS, RUNS_EACH = 200.0, 7, 6
STEPS = ("turning", "play_found", "runout_found", "bore", "play_after", "new_part")
START = datetime(2026, 1, 1, tzinfo=UTC)
WHEELS = ("front left", "front right", "rear left", "rear right")
SCRIPT = "INSERT INTO {table} ({names}) VALUES ({marks})"


def insert(connection: sqlite3.Connection, table: str, **row: object) -> int:
    names, marks = ", ".join(f'"{name}"' for name in row), ", ".join("?" for _ in row)
    sql = SCRIPT.format(table=table, names=names, marks=marks)
    return int(connection.execute(sql, tuple(row.values())).lastrowid or 0)


def fill(path: Path, count: int) -> None:
    """Rows written straight into the tables: only the questions are timed. Invented from end to end."""
    limit = LimitOut(max=0.1, source="invented")
    result = EndplayResult(
        readings=Counts(used=400, rejected=0), resolution_mm=0.001, uncertainty_mm=None, limit_mm=limit,
        verdict="within", reasons=(), strokes=(), play_mm=0.03, repeatability_mm=0.001, zero_return_mm=None,
        creep_mm=None, noise_mm=None,
    ).model_dump_json()  # fmt: skip
    Jobs.open(path).close()
    connection = connect(path)
    connection.execute("BEGIN")
    for i in range(count):
        at = START + timedelta(minutes=i)
        job_id, at_utc = str(uuid7(at)), at.isoformat().replace("+00:00", "Z")
        job = insert(
            connection, "job", id=job_id, opened_utc=at_utc, closed_utc=at_utc, vin=f"V{i // 2:05d}",
            vehicle="invented", odometer_km=1000.0 + i % 2 * 5000, complaint="", technician=f"t{i % 7}",
        )  # fmt: skip
        end = insert(
            connection, "wheel_end", job=job, wheel=WHEELS[i // 2 % 4], bearing="ball", encoder="none",
            old_part="", old_lot="", new_part=f"p{i % 40}", new_lot=f"l{i % 5}", torque_n_m=180.0,
            limits="{}", source="invented", sizes=json.dumps({"studs": "5"}),
        )  # fmt: skip
        for n in range(RUNS_EACH):
            run_id = str(uuid7(at + timedelta(seconds=n + 1)))
            verdict = "over" if i % 9 == 0 else "within"
            run = insert(
                connection, "run", id=run_id, kind="endplay", state="done", started_utc=at_utc,
                started_t_ns=0, ended_t_ns=10**10, indicator='{"name": "bench"}', settings="{}", job=job_id,
                wheel=WHEELS[i // 2 % 4], stage="as found", readings=400, readings_sha256="",
            )  # fmt: skip
            insert(
                connection, "result", id=str(uuid7(at)), run=run, saved_utc=at_utc, kind="endplay",
                verdict=verdict, value_mm=0.03, points_to="", json=result,
            )  # fmt: skip
            played = STEPS[n].startswith("play")
            number = STEPS[n] == "new_part"
            insert(
                connection, "job_entry", wheel_end=end, step=STEPS[n], what="answer", technician="t",
                run=run_id if played else None, answer=f"q{i % 40}" if number else verdict, at_utc=at_utc,
                id=str(uuid7(at)), place=n + 1,
            )  # fmt: skip
    connection.execute("COMMIT")
    connection.execute("ANALYZE")
    connection.close()


def questions(path: Path, jobs: Jobs, store: Store, studies: Studies) -> dict[str, Callable[[], object]]:
    """What is asked, by name."""
    plain, steps = connect(path), load_path()
    some = jobs.find("V00100")

    def read(sql: str) -> Callable[[], object]:
        return lambda: plain.execute(sql).fetchall()

    return {
        "jobs, last 50": lambda: jobs.latest(last=50),
        "jobs, last 1000": lambda: jobs.latest(last=1000),
        "jobs of a vehicle": lambda: jobs.latest(vin="V00100"),
        "jobs of a technician": lambda: jobs.latest(technician="t3"),
        "jobs at a wheel position": lambda: jobs.latest(wheel="rear left"),
        "jobs with a part": lambda: jobs.latest(part="q39"),
        "jobs with a lot": lambda: jobs.latest(lot="l4"),
        "jobs, all filters": lambda: jobs.latest(wheel="front left", part="q39", lot="l4", technician="t3"),
        "jobs with a part never fitted": lambda: jobs.latest(part="none"),
        "share over per part and lot": jobs.by_part,
        "comebacks within 6000 km": lambda: jobs.comebacks(6000.0),
        "a job by its VIN": lambda: jobs.find("V00100"),
        "a job by its id": lambda: jobs.find(some.id),
        "a job as a whole": lambda: view(jobs.find(some.id), steps, store),
        "runs, last 50": lambda: store.runs(last=50),
        "runs of a job": lambda: store.runs(job=some.id),
        "runs at a wheel position": lambda: store.runs(wheel="rear left", last=50),
        "runs of a kind never made": lambda: store.runs(kind="bore", last=50),
        "studies": lambda: studies.latest(50),
        "view job_list, 1000 lines": read("SELECT * FROM job_list LIMIT 1000"),
        "view job_step_list, 1000 lines": read("SELECT * FROM job_step_list LIMIT 1000"),
        "view run_list, 1000 lines": read("SELECT * FROM run_list LIMIT 1000"),
    }


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    slow = 0
    with tempfile.TemporaryDirectory(prefix="hubproof-many-") as folder:
        path = Path(folder) / "hubproof.sqlite"
        fill(path, count)
        print(f"{count} jobs, {count * RUNS_EACH} runs, {path.stat().st_size / 1e6:.0f} MB")
        print(f"{'asked':<34} {'median':>8} {'worst':>8} {'of it on the processor':>24}")
        with Jobs.open(path) as jobs, Store.open(path) as store, Studies.open(path) as studies:
            for name, ask in questions(path, jobs, store, studies).items():
                took_ms, worked_ms = [], []
                for _ in range(ASKINGS):
                    begun, begun_work = time.perf_counter(), time.process_time()
                    ask()
                    took_ms.append(1e3 * (time.perf_counter() - begun))
                    worked_ms.append(1e3 * (time.process_time() - begun_work))
                middle, work = statistics.median(took_ms), statistics.median(worked_ms)
                slow += middle >= LIMIT_MS
                print(f"{name:<34} {middle:8.1f} {max(took_ms):8.1f} {work:21.1f} ms")
    print(f"{slow} of them took {LIMIT_MS:.0f} ms or more")
    return 1 if slow else 0


if __name__ == "__main__":
    raise SystemExit(main())
