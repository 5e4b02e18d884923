"""Records as every older version wrote them come to the newest one whole: nothing lost, the chain whole."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import pytest

from analysis.record import Store
from analysis.record.database import MIGRATIONS
from tests.analysis.record.test_database import columns_and_notes

SAMPLES = Path(__file__).parents[2] / "data" / "records"
VERSIONS = range(1, len(MIGRATIONS))
READINGS = 160


def sample(version: int, path: Path) -> Path:
    """The stored sample of `version` as a database at `path`; what wrote it was that version itself."""
    path.parent.mkdir(parents=True, exist_ok=True)
    connection = sqlite3.connect(path)
    connection.executescript((SAMPLES / f"version_{version}.sql").read_text(encoding="utf-8"))
    connection.close()
    return path


def run_out_um(seq: int) -> int:
    return round(40 * math.sin(seq / 12))


def end_play_um(seq: int) -> int:
    return 60 * (seq // 40 % 2)


def test_there_is_a_sample_of_every_older_version() -> None:
    assert sorted(path.stem for path in SAMPLES.glob("*.sql")) == [f"version_{each}" for each in VERSIONS]


@pytest.mark.parametrize("version", VERSIONS)
def test_a_record_of_an_older_version_is_brought_up_whole(version: int, path: Path) -> None:
    sample(version, path)
    with Store.open(path) as store:
        (cut_off,) = store.recover()
        assert store.verify().differences == ()
        runs = {run.kind: run for run in store.runs()}
        assert {kind: run.readings for kind, run in runs.items()} == {
            "endplay": READINGS,
            "runout": READINGS,
            "trace": 20,
        }
        assert (runs["trace"].id, runs["trace"].state) == (cut_off.id, "interrupted")
        for kind, um in (("runout", run_out_um), ("endplay", end_play_um)):
            record, trace = store.run(runs[kind].id), store.trace(runs[kind].id)
            whole = [um(seq) for seq in range(READINGS) if seq != 101]
            assert trace.reading_um.round(6).tolist() == whole
            assert trace.flag is not None
            assert trace.flag[100] == "hold is on"
            assert (record.unread, record.marks_s) == (1, (2.0, 6.0))
            assert [event.code for event in record.events] == ["gap"]
        assert len(store.run(runs["endplay"].id).results) == 1
    columns, notes = columns_and_notes(path)
    assert set(notes) == columns
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


def test_every_version_comes_to_the_same_tables(tmp_path: Path) -> None:
    """Brought up from any version, or made new: the same columns, indexes and views."""

    def schema(path: Path) -> list[tuple[str, str, str]]:
        connection = sqlite3.connect(path)
        asked = "SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY type, name"
        found = [(kind, name, " ".join(sql.split())) for kind, name, sql in connection.execute(asked)]
        connection.close()
        return found

    Store.open(tmp_path / "new.sqlite").close()
    for version in VERSIONS:
        path = sample(version, tmp_path / f"{version}.sqlite")
        Store.open(path).close()
        assert schema(path) == schema(tmp_path / "new.sqlite"), version
