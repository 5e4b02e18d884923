from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest

from analysis.record import Store, database
from analysis.record.database import MIGRATIONS, connect, migrate
from config.errors import StoreError
from tests.analysis.record.conftest import begin, rows


def columns_and_notes(path: Path) -> tuple[set[tuple[str, str]], dict[tuple[str, str], tuple[str, str]]]:
    connection = sqlite3.connect(path)
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite_%'"
    ).fetchall()
    columns = {
        (name, row[1])
        for (name,) in names
        for row in connection.execute(f'PRAGMA table_info("{name}")').fetchall()
    }
    notes = {
        (table, column): (unit, note)
        for table, column, unit, note in connection.execute("SELECT * FROM column_notes").fetchall()
    }
    connection.close()
    return columns, notes


def test_every_column_has_a_note_and_every_number_a_unit(path: Path) -> None:
    Store.open(path).close()
    columns, notes = columns_and_notes(path)
    assert set(notes) == columns
    assert all(note for _, note in notes.values())
    suffixes = {"_ns": "ns", "_nm": "nm", "_mm": "mm", "_deg": "deg", "_s": "s"}
    for (table, column), (unit, _) in notes.items():
        for suffix, expected in suffixes.items():
            if column.endswith(suffix):
                assert unit.split()[-1] == expected, (table, column)


def test_the_file_is_in_wal_mode_with_foreign_keys_and_full_sync(path: Path) -> None:
    Store.open(path).close()
    connection = connect(path)
    asked = [connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "foreign_keys")]
    assert asked == ["wal", 1]
    assert connection.execute("PRAGMA synchronous").fetchone()[0] == 2
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        connection.execute("INSERT INTO mark (run, t_ns) VALUES (7, 0)")
    connection.close()


def test_a_database_of_a_newer_version_is_refused_in_one_line(path: Path) -> None:
    Store.open(path).close()
    newest = len(MIGRATIONS)
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {newest + 1}")
    connection.close()
    with pytest.raises(StoreError) as caught:
        Store.open(path)
    assert str(caught.value) == (
        f"{path}: the database has version {newest + 1}; expected version {newest} or older; "
        "install the newer Hubproof that wrote it"
    )


def test_a_migration_that_fails_changes_nothing(path: Path) -> None:
    Store.open(path).close()

    def broken(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE half (x INTEGER)")
        connection.execute("SELECT * FROM not_there")

    connection = connect(path)
    with pytest.raises(sqlite3.OperationalError, match="not_there"):
        migrate(connection, path, (*MIGRATIONS, broken))
    assert not connection.in_transaction
    assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)
    assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    connection.close()
    Store.open(path).close()


def test_a_later_migration_runs_once(path: Path) -> None:
    def add(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE later (x INTEGER)")

    Store.open(path).close()
    connection = connect(path)
    migrate(connection, path, (*MIGRATIONS, add))
    migrate(connection, path, (*MIGRATIONS, add))
    assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 1,)
    connection.close()


def test_another_programs_database_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE run (x)")
    connection.commit()
    connection.close()
    with pytest.raises(StoreError, match="is another program's database; name another folder with --data"):
        Store.open(path)


def test_a_file_that_is_no_database_is_refused_and_kept(path: Path) -> None:
    path.parent.mkdir()
    path.write_bytes(b"time_s,reading_mm\r\n" * 100)
    with pytest.raises(StoreError, match="it is not a database; name another folder with --data"):
        Store.open(path)
    assert path.read_bytes().startswith(b"time_s")


def test_a_locked_database_is_told_in_one_line(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "WAIT_FOR_LOCK_MS", 10)
    Store.open(path).close()
    other = connect(path)
    other.execute("BEGIN IMMEDIATE")
    with Store.open(path) as store, pytest.raises(StoreError) as caught:
        store.recover()
    other.execute("ROLLBACK")
    other.close()
    assert str(caught.value) == (f"{path}: another program holds it; close that program and try again")


def test_a_full_disk_is_told_and_what_was_stored_stays(path: Path) -> None:
    with Store.open(path) as store:
        ref = begin(store)
        store.append_readings(ref.key, rows(100))
        pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
        store._connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(StoreError, match="the disk is full; make room, nothing already stored is lost"):
            store.append_readings(ref.key, rows(5000, first=100))
        assert store.run(ref.id).summary.readings == 100
        store._connection.execute("PRAGMA max_page_count = 1000000")
        store.append_readings(ref.key, rows(5000, first=100))
        store.end_run(ref.key, "done", rows(5100)[-1][1])
        assert store.run(ref.id).summary.readings == 5100
        assert store.verify().differences == ()


@pytest.mark.skipif(os.name != "posix", reason="permissions are POSIX")
def test_a_folder_in_the_way_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file where the folder should be")
    with pytest.raises(StoreError, match="cannot be opened: "):
        Store.open(tmp_path / "data" / "hubproof.sqlite")
    (tmp_path / "folder.sqlite").mkdir()
    with pytest.raises(StoreError, match="cannot be opened: Is a directory"):
        Store.open(tmp_path / "folder.sqlite")


def test_a_device_or_pipe_is_refused_and_its_permissions_are_left_as_they_are(tmp_path: Path) -> None:
    pipe = tmp_path / "record"
    os.mkfifo(pipe)
    os.chmod(pipe, 0o666)
    with pytest.raises(StoreError, match="is no file"):
        database.open_record(pipe)
    assert pipe.stat().st_mode & 0o777 == 0o666
