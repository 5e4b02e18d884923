"""A backup while the record is written: whole, one state, private, and good to go back to."""

from __future__ import annotations

import os
import sqlite3
import threading
from pathlib import Path

import pytest

from analysis.record import Store
from analysis.record.backup import back_up, check_backup
from config.errors import InputError, StoreError
from tests.analysis.record.conftest import begin, rows


def test_a_backup_under_load_is_one_state_and_can_be_restored(path: Path, tmp_path: Path) -> None:
    with Store.open(path) as store:
        done = begin(store)
        store.append_readings(done.key, rows(500))
        store.end_run(done.key, "done", rows(500)[-1][1])
        live, ending, written = begin(store), threading.Event(), 0

        def write() -> None:
            nonlocal written
            while not ending.is_set():
                store.append_readings(live.key, rows(5, first=written))
                written += 5

        writer = threading.Thread(target=write)
        writer.start()
        while written < 50:
            pass
        before = written
        checked = back_up(path, tmp_path / "backup.sqlite")
        after = written
        while written < after + 50:  # the writer was not held up
            pass
        ending.set()
        writer.join()
    assert checked.runs == 2
    assert 500 + before <= checked.readings <= 500 + after + 5
    assert (checked.readings - 500) % 5 == 0
    restored = tmp_path / "elsewhere" / "hubproof.sqlite"
    restored.parent.mkdir()
    restored.write_bytes((tmp_path / "backup.sqlite").read_bytes())
    with Store.open(restored) as store:
        assert [ref.id for ref in store.recover()] == [live.id]
        assert store.trace(done.id).reading_um.size == 500
        assert store.run(live.id).summary.readings == checked.readings - 500
        assert store.verify().differences == ()
        store.append_readings(begin(store).key, rows(5))
    if os.name == "posix":
        assert (tmp_path / "backup.sqlite").stat().st_mode & 0o077 == 0
    assert sorted(each.name for each in tmp_path.iterdir()) == ["backup.sqlite", "data", "elsewhere"]


def test_a_backup_never_writes_over_a_file(path: Path, tmp_path: Path) -> None:
    Store.open(path).close()
    (tmp_path / "b").write_text("of somebody")
    with pytest.raises(InputError, match="is there already; name a file that is not there yet"):
        back_up(path, tmp_path / "b")
    assert (tmp_path / "b").read_text() == "of somebody"


def test_a_backup_that_cannot_be_written_leaves_nothing(path: Path, tmp_path: Path) -> None:
    Store.open(path).close()
    with pytest.raises(StoreError, match="cannot be opened: "):
        back_up(path, tmp_path / "no folder" / "b.sqlite")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["data"]


def test_a_changed_or_foreign_or_torn_backup_is_seen(path: Path, tmp_path: Path) -> None:
    with Store.open(path) as store:
        ref = begin(store)
        store.append_readings(ref.key, rows(2_000))
    backup = tmp_path / "b.sqlite"
    back_up(path, backup)
    assert check_backup(backup).readings == 2_000
    whole = backup.read_bytes()
    connection = sqlite3.connect(backup)
    connection.execute("UPDATE reading SET length_nm = length_nm + 1000 WHERE seq = 7")
    connection.commit()
    connection.close()
    with pytest.raises(StoreError, match="its readings were changed after they were stored"):
        check_backup(backup)
    backup.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(StoreError):
        check_backup(backup)
    backup.write_bytes(b"time_s,reading_mm\r\n" * 300)
    with pytest.raises(InputError, match="is no record of Hubproof; name what hubproof backup wrote"):
        check_backup(backup)
    other = sqlite3.connect(tmp_path / "other.sqlite")
    other.execute("CREATE TABLE x (y)")
    other.commit()
    other.close()
    with pytest.raises(InputError, match="is no record of Hubproof"):
        check_backup(tmp_path / "other.sqlite")
