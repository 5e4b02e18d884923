"""The process dies in the middle of writing: what was acknowledged is there, and nothing needs a hand."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from analysis.record import Store

ROOT = Path(__file__).parents[3]
BATCH = 5

WRITER = """
import sys
from pathlib import Path
from analysis.record import Store
from tests.analysis.record.conftest import begin, rows
store = Store.open(Path(sys.argv[1]))
while True:
    ref = begin(store)
    for first in range(0, 500, 5):
        store.append_readings(ref.key, rows(5, first=first))
        print(ref.key, first + 5, flush=True)
    store.end_run(ref.key, "done", rows(500)[-1][1])
"""


@pytest.mark.skipif(os.name != "posix", reason="kill -9")
def test_after_a_kill_every_acknowledged_reading_is_there(path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.readline()
    time.sleep(random.Random(1).uniform(0.0, 0.3))
    process.send_signal(signal.SIGKILL)
    said = process.stdout.read().splitlines()
    process.wait()
    process.stdout.close()
    acknowledged: dict[int, int] = {}
    for line in said:
        if line.count(" ") == 1 and line.split()[1]:
            key, count = map(int, line.split())
            acknowledged[key] = count
    with Store.open(path) as store:
        recovered = store.recover()
        assert len(recovered) <= 1
        assert store.verify().differences == ()
        stored = {store.run(run.id).key: run for run in store.runs()}
        for key, count in acknowledged.items():
            assert count <= stored[key].readings <= count + BATCH
        for ref in recovered:
            assert stored[ref.key].state == "interrupted"
            assert len(store.trace(ref.id)) == stored[ref.key].readings


def test_a_copy_taken_in_mid_write_with_a_torn_log_is_still_a_record(path: Path, tmp_path: Path) -> None:
    """A power cut: the database and a log whose last pages never reached the disk."""
    from tests.analysis.record.conftest import begin, rows

    with Store.open(path) as store:
        ref = begin(store)
        for first in range(0, 300, 30):
            store.append_readings(ref.key, rows(30, first=first))
        database, log = path.read_bytes(), path.with_name(path.name + "-wal").read_bytes()
    for cut in (0, 1, len(log) // 3, len(log) // 2 + 7, len(log) - 100):
        copy = tmp_path / f"copy{cut}.sqlite"
        copy.write_bytes(database)
        copy.with_name(copy.name + "-wal").write_bytes(log[:cut])
        with Store.open(copy) as store:
            store.recover()
            assert store.verify().differences == ()
            kept = [run.readings for run in store.runs()]
            assert all(count % 30 == 0 for count in kept)
        connection = sqlite3.connect(copy)
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        connection.close()
