"""Kept or thrown away: said after the run, never lost, and seen when somebody changes it later."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.record import RunRef, Store
from config.errors import InputError

RECORD = "record.sqlite"


def run_of(store: Store, *, ended: bool = True) -> RunRef:
    now = datetime(2026, 1, 1, tzinfo=UTC)
    ref = store.begin_run("runout", {"name": "x"}, settings={}, started_t_ns=0, started_utc=now)
    if ended:
        store.end_run(ref.key, "done", 1)
    return ref


@pytest.fixture
def store(tmp_path: Path):
    with Store.open(tmp_path / RECORD) as store:
        yield store


def test_the_latest_word_counts_and_the_earlier_ones_stay(store: Store) -> None:
    ref = run_of(store)
    assert store.runs()[0].kept is None
    store.keep(ref.id, "thrown away", "  the holder\nslipped ")
    store.keep(ref.id, "kept")
    assert store.runs()[0].kept == "kept"
    said = store.run(ref.id).said
    assert [(each.word, each.reason) for each in said] == [
        ("thrown away", "the holder slipped"),
        ("kept", ""),
    ]
    assert store.verify().differences == ()


@pytest.mark.parametrize(
    ("word", "reason", "text"),
    [("thrown away", " ", "without a reason"), ("thrown away", "x" * 301, "too long")],
)
def test_a_word_that_says_nothing_is_refused(store: Store, word: str, reason: str, text: str) -> None:
    ref = run_of(store)
    with pytest.raises(InputError, match=text):
        store.keep(ref.id, word, reason)
    assert store.run(ref.id).said == ()


def test_no_word_about_a_run_that_goes_on_or_is_not_there(store: Store) -> None:
    ref = run_of(store, ended=False)
    with pytest.raises(InputError, match="still goes on"):
        store.keep(ref.id, "kept")
    with pytest.raises(InputError, match="no run has an id"):
        store.keep("none", "kept")


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE keeping SET reason = 'another' WHERE key = 1",
        "UPDATE keeping SET word = 'kept' WHERE key = 1",
        "DELETE FROM keeping WHERE key = 1",
        "INSERT INTO keeping (run, word, reason, at_utc) SELECT id, 'kept', '', '' FROM run",
    ],
)
def test_a_later_change_of_a_word_is_seen(tmp_path: Path, sql: str) -> None:
    path = tmp_path / "changed.sqlite"
    with Store.open(path) as store:
        store.keep(run_of(store).id, "thrown away", "the holder slipped")
        assert store.verify().differences == ()
    connection = sqlite3.connect(path)
    with connection:
        connection.execute(sql)
    connection.close()
    with Store.open(path) as store:
        assert store.verify().differences != ()
