"""Jobs in the hash chain: whatever is changed, removed or slipped in later is found."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from pathlib import Path

import pytest

from analysis.record import Store
from analysis.record.database import MIGRATIONS, connect, migrate
from analysis.record.jobs import Jobs, JobSheet, WheelSheet
from analysis.record.verify import verify
from config.path import Step

STEP = Step(id="seal", stage="as found", do="Look at the seal.", records="choice", choices=("sound", "torn"))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A job with two wheel ends and an entry at each, released."""
    path = tmp_path / "hubproof.sqlite"
    with Jobs.open(path) as jobs:
        job_id = jobs.begin(
            JobSheet("A", vin="X", odometer_km=1.5, customer="C. Invented", plate="XX 1"),
            [WheelSheet("front left"), WheelSheet("rear left")],
        )
        for end in jobs.find(job_id).wheels:
            jobs.answer(jobs.find(job_id), end, STEP, "sound", "A")
        jobs.release(jobs.find(job_id), (STEP,))
    return path


def found(path: Path) -> list[str]:
    with Store.open(path) as store:
        return [difference.text for difference in store.verify().differences]


def test_an_untouched_record_is_whole(path: Path) -> None:
    assert found(path) == []
    with sqlite3.connect(path) as connection:
        kinds = [row[0] for row in connection.execute("SELECT what FROM chain ORDER BY seq")]
    assert kinds == ["job opened", "job entry", "job entry", "job released"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            "UPDATE job_entry SET answer = 'torn' WHERE key = 1",
            "was changed after it was written (job entry)",
        ),
        ("UPDATE job_entry SET problem = 'x' WHERE key = 2", "was changed after it was written (job entry)"),
        ("UPDATE job_entry SET wheel_end = 2 WHERE key = 1", "was changed after it was written (job entry)"),
        ("DELETE FROM job_entry WHERE key = 1", "is gone (job entry)"),
        ("UPDATE job SET odometer_km = 1.0", "was changed after it was written (job opened)"),
        ("UPDATE job SET customer = 'D. Invented'", "was changed after it was written (job opened)"),
        ("UPDATE job SET plate = ''", "was changed after it was written (job opened)"),
        (
            'UPDATE wheel_end SET limits = \'{"runout": "9 mm"}\'',
            "was changed after it was written (job opened)",
        ),
        (
            "UPDATE job SET closed_utc = '2001-01-01T00:00:00Z'",
            "was changed after it was written (job released)",
        ),
        (
            "INSERT INTO job_entry (wheel_end, step, what, answer, technician, at_utc)"
            " VALUES (1, 'seal', 'answer', 'sound', 'B', '2026-01-01T00:00:00Z')",
            "is not in the chain (job entry)",
        ),
        ("UPDATE chain SET subject = 'x' WHERE seq = 2", "is gone (job entry)"),
        ("DELETE FROM chain WHERE seq = 2", "the chain's link 2 is missing"),
    ],
)
def test_what_was_changed_later_is_found(path: Path, change: str, says: str) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute(change)
    connection.close()
    assert says in found(path)


def test_the_links_record_is_plain_sha256_of_json(path: Path) -> None:
    """Computed apart from the project's code: FIPS 180-4 over JSON with sorted keys and no blanks."""
    with sqlite3.connect(path) as connection:
        connection.row_factory = sqlite3.Row
        link = connection.execute("SELECT * FROM chain WHERE what = 'job entry' ORDER BY seq").fetchone()
        entry = dict(connection.execute("SELECT * FROM job_entry WHERE key = 1").fetchone())
    connection.close()
    del entry["key"], entry["wheel_end"]
    told = {**entry, "job": link["subject"].split("/")[0], "wheel": "front left"}
    text = json.dumps(told, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert link["record_sha256"] == hashlib.sha256(text.encode()).hexdigest()


def test_jobs_of_an_older_record_are_linked_when_it_is_brought_up(path: Path) -> None:
    with sqlite3.connect(path) as old:
        old.execute("DELETE FROM chain")
        old.execute("PRAGMA user_version = 2")
    old.close()
    connection = connect(path)
    migrate(connection, path, MIGRATIONS[:3])  # the tables of later versions are there already
    assert verify(connection).differences == ()
    assert connection.execute("SELECT count(*) FROM chain").fetchone()[0] == 4
    connection.close()
