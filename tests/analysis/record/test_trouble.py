"""A disk or a file that is not as it should be: one clear line, nothing damaged, and on again afterwards."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.record import Store
from analysis.record.database import connect
from config.errors import StoreError
from tests.analysis.record.conftest import begin, rows
from tests.capture.daemon_process import ROOT

IS_ROOT = hasattr(os, "geteuid") and os.geteuid() == 0


def test_a_disk_that_became_read_only_is_told_and_works_again(store: Store) -> None:
    ref = begin(store)
    store.append_readings(ref.key, rows(10))
    store._connection.execute("PRAGMA query_only = ON")  # SQLite's own answer to a read-only file
    with pytest.raises(StoreError, match="it is read-only; give this user the right to write the file"):
        store.append_readings(ref.key, rows(10, first=10))
    store._connection.execute("PRAGMA query_only = OFF")
    store.append_readings(ref.key, rows(10, first=10))
    assert store.run(ref.id).summary.readings == 20
    assert store.verify().differences == ()


def test_several_runs_are_stored_together_or_not_at_all(store: Store) -> None:
    one, other = begin(store), begin(store)
    store.append_many({one.key: rows(10), other.key: rows(5)})
    pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
    store._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreError, match="the disk is full"):
        store.append_many({one.key: rows(20, first=10), other.key: rows(9_000, first=5)})
    assert [store.run(each.id).summary.readings for each in (one, other)] == [10, 5]
    store._connection.execute("PRAGMA max_page_count = 1000000")
    store.append_many({one.key: rows(20, first=10), other.key: rows(9_000, first=5)})
    assert [store.run(each.id).summary.readings for each in (one, other)] == [30, 9_005]
    assert store.verify().differences == ()


def test_a_half_written_file_is_refused_in_one_line_and_left_as_it_is(path: Path, tmp_path: Path) -> None:
    with Store.open(path) as store:
        ref = begin(store)
        store.append_readings(ref.key, rows(3_000))
    whole, dice, refused = path.read_bytes(), random.Random(5), {}
    for number in range(24):
        copy = tmp_path / f"{number}.sqlite"
        data = bytearray(whole[: dice.randrange(len(whole))])
        if number % 3 == 0 and len(data) > 4_096:  # and rubbish where pages should be
            at = dice.randrange(len(data) - 512)
            data[at : at + 512] = dice.randbytes(512)
        copy.write_bytes(data)
        try:
            with Store.open(copy) as store:
                store.recover()
                kept = sum(run.readings for run in store.runs())
                assert store.verify().differences or kept in (0, 3_000)
        except StoreError as error:
            refused[copy] = error
    for copy, error in refused.items():
        assert error.line().startswith(f"{copy}: ")
        assert "\n" not in error.line()
        assert error.do or "the database refused" in error.what
    assert len(refused) >= 15


ANOTHER = """
import os, sys
from pathlib import Path
import analysis.record.store, sqlite_utils
from capture.commands import run
import capture.commands.runs
os.setgroups([]); os.setgid(65534); os.setuid(65534)
sys.exit(run(["runs", "list", "--data", sys.argv[1]]))
"""


@pytest.mark.skipif(not IS_ROOT, reason="only root can become another user")
def test_the_record_of_another_user_is_refused_in_one_line(path: Path) -> None:
    Store.open(path).close()
    for folder in [*path.parents][:-2]:
        if folder.stat().st_uid == 0 and folder != Path("/"):
            os.chmod(folder, 0o755)
    done = subprocess.run(
        [sys.executable, "-c", ANOTHER, str(path.parent)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2, done.stderr
    (line,) = done.stderr.splitlines()
    assert line.startswith(
        f"{path}: cannot be opened: Permission denied; it or its folder belongs to another"
    )


def test_a_lock_that_is_let_go_is_waited_for(path: Path) -> None:
    import threading

    with Store.open(path) as store:
        ref = begin(store)
        other = connect(path)
        other.execute("BEGIN IMMEDIATE")
        timer = threading.Timer(0.3, lambda: other.execute("ROLLBACK"))
        timer.start()
        store.append_readings(ref.key, rows(10))
        timer.join()
        other.close()
        assert store.run(ref.id).summary.readings == 10
