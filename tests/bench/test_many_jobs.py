"""10,000 jobs with 60,000 runs: every list and the history in under 200 ms (run with -s)."""

import time
from datetime import UTC, datetime, timedelta

import pytest

from analysis.record import Store, uuid7
from analysis.record.jobs import Jobs

JOBS, RUNS_EACH = 10_000, 6
STEPS = ("turning", "play_found", "runout_found", "bore", "play_after", "runout_after")


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """Rows written straight into the tables: only the queries are timed."""
    path = tmp_path_factory.mktemp("many") / "hubproof.sqlite"
    start = datetime(2026, 1, 1, tzinfo=UTC)
    with Jobs.open(path) as jobs:
        jobs._connection.execute("BEGIN")
        for i in range(JOBS):
            job_id = str(uuid7(start + timedelta(minutes=i)))
            job = jobs._insert("job", {
                "id": job_id, "opened_utc": "2026-01-01T00:00:00Z", "closed_utc": "2026-01-02T00:00:00Z",
                "vin": f"V{i // 2:05d}", "vehicle": "", "odometer_km": 1000.0 + i % 2 * 5000, "complaint": "",
                "technician": f"t{i % 7}",
            })  # fmt: skip
            end = jobs._insert("wheel_end", {
                "job": job, "wheel": "front left", "bearing": "ball", "encoder": "none", "old_part": "",
                "old_lot": "", "new_part": f"p{i % 40}", "new_lot": f"l{i % 5}", "torque_n_m": 180.0,
                "limits": "{}", "source": "invented",
            })  # fmt: skip
            for n, step in enumerate(STEPS):
                run = str(uuid7(start + timedelta(minutes=i, seconds=n + 1)))
                jobs._insert("run", {
                    "id": run, "kind": "runout", "state": "done", "started_utc": "2026-01-01T00:00:00Z",
                    "started_t_ns": 0, "indicator": "{}", "settings": "{}", "job": job_id,
                    "wheel": "front left", "readings_sha256": "",
                })  # fmt: skip
                jobs._insert("job_entry", {
                    "wheel_end": end, "step": step, "what": "answer", "run": run, "technician": "t",
                    "answer": "over" if i % 9 == 0 else "within", "at_utc": "2026-01-01T00:00:00Z",
                })  # fmt: skip
        jobs._connection.execute("COMMIT")
    return path


@pytest.mark.parametrize("what", ["latest", "vin", "technician", "lot", "parts", "comebacks", "find", "runs"])
def test_every_list_is_quick(path, what):
    with Jobs.open(path) as jobs, Store.open(path) as store:
        ask = {
            "latest": lambda: jobs.latest(last=50),
            "vin": lambda: jobs.latest(vin="V00400"),
            "technician": lambda: jobs.latest(technician="t3"),
            "lot": lambda: jobs.latest(wheel="front left", part="p39", lot="l4"),
            "parts": jobs.by_part,
            "comebacks": lambda: jobs.comebacks(6000.0),
            "find": lambda: jobs.find("V00400"),
            "runs": lambda: store.runs(last=50),
        }[what]
        begun = time.perf_counter()
        ask()
        took_ms = 1e3 * (time.perf_counter() - begun)
    print(f"\n{what}: {took_ms:.1f} ms")
    assert took_ms < 200.0
