from __future__ import annotations

import hashlib
import sqlite3
import struct
from pathlib import Path

import numpy as np
import pytest

from analysis.record import Store, Verified
from analysis.record.chain import reading_bytes
from tests.analysis.record.conftest import START_NS, begin, rows
from tests.analysis.record.test_store import endplay


@pytest.fixture
def filled(path: Path) -> Path:
    with Store.open(path) as store:
        for kind in ("runout", "endplay"):
            ref = begin(store, kind)
            store.append_readings(ref.key, rows(30))
            store.append_readings(ref.key, [(30, START_NS + 10**9, 5000, "hold is on", "+0.005mmH")])
            store.add_mark(ref.key, START_NS + 7)
            store.add_event(ref.key, START_NS + 9, "gap", "a gap")
            store.end_run(ref.key, "done", START_NS + 2 * 10**9)
            store.save_result(ref.key, endplay(), np.ones((2, 4)))
        store.append_readings(begin(store).key, rows(3))  # still running
    return path


def check(path: Path) -> Verified:
    with Store.open(path) as store:
        return store.verify()


def change(path: Path, sql: str) -> None:
    connection = sqlite3.connect(path)
    assert connection.execute(sql).rowcount > 0, "the change must hit a row"
    connection.commit()
    connection.close()


def test_an_untouched_record_has_no_differences(filled: Path) -> None:
    found = check(filled)
    assert found.differences == ()
    assert (found.runs, found.readings, found.results) == (3, 65, 2)


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE reading SET length_nm = length_nm + 1 WHERE run = 1 AND seq = 12",
        "UPDATE reading SET t_ns = t_ns + 1 WHERE run = 2 AND seq = 0",
        "UPDATE reading SET flag = NULL WHERE run = 1 AND seq = 30",
        "UPDATE reading SET flag = 'other' WHERE run = 1 AND seq = 30",
        "UPDATE reading SET raw = NULL WHERE run = 1 AND seq = 30",
        "UPDATE reading SET seq = 31 WHERE run = 1 AND seq = 30",
        "DELETE FROM reading WHERE run = 1 AND seq = 30",
        "INSERT INTO reading VALUES (1, 31, 99, 1000, NULL, NULL)",
        "UPDATE run SET readings_sha256 = 'x' WHERE key = 1",
        "UPDATE run SET readings = 30 WHERE key = 2",
        "UPDATE run SET wheel = 'rear left' WHERE key = 1",
        "UPDATE run SET started_utc = '2025-01-01T00:00:00.000000Z' WHERE key = 3",
        "UPDATE run SET indicator = '{}' WHERE key = 1",
        "UPDATE run SET state = 'interrupted' WHERE key = 1",
        "UPDATE run SET state = 'done' WHERE key = 3",
        "UPDATE run SET ended_t_ns = 1 WHERE key = 2",
        "UPDATE mark SET t_ns = 8 WHERE run = 1",
        "DELETE FROM mark WHERE run = 2",
        "UPDATE event SET text = 'no gap' WHERE run = 1",
        "DELETE FROM event WHERE run = 2",
        "UPDATE result SET verdict = 'within' WHERE key = 1",
        "UPDATE result SET json = replace(json, 'over', 'within') WHERE key = 1",
        "UPDATE result SET value_mm = 0.01 WHERE key = 2",
        "UPDATE result SET run = 2 WHERE key = 1",
        "UPDATE turn_profile SET length_nm = '[1,2,3,4]' WHERE result = 1 AND turn = 2",
        "DELETE FROM turn_profile WHERE result = 2 AND turn = 2",
        "DELETE FROM chain WHERE seq = 2",
        "DELETE FROM chain WHERE seq = (SELECT max(seq) FROM chain)",
        "UPDATE chain SET record_sha256 = 'x' WHERE seq = 3",
        "UPDATE chain SET subject = 'x' WHERE seq = 3",
    ],
)
def test_every_later_change_is_seen(filled: Path, sql: str) -> None:
    change(filled, sql)
    assert check(filled).differences != ()


def test_a_removed_result_is_seen_though_nothing_refers_to_it(filled: Path) -> None:
    change(filled, "DELETE FROM turn_profile WHERE result = 2")
    change(filled, "DELETE FROM result WHERE key = 2")
    assert any("is gone (result)" in difference.text for difference in check(filled).differences)


def test_a_change_names_the_run(filled: Path) -> None:
    change(filled, "UPDATE reading SET length_nm = 0 WHERE run = 2 AND seq = 3")
    with Store.open(filled) as store:
        subject = store._reader.execute("SELECT id FROM run WHERE key = 2").fetchone()[0]
        (difference,) = store.verify().differences
    assert (difference.subject, difference.text) == (
        subject,
        "its readings were changed after they were stored",
    )


def test_a_forged_chain_no_longer_ends_as_before(filled: Path) -> None:
    """Whoever recomputes the whole chain is found out by the last link, kept elsewhere."""
    before = check(filled).last_link
    change(filled, "UPDATE run SET readings_sha256 = 'x' WHERE key = 1")
    assert check(filled).last_link == before  # the edit alone leaves the links, so it was seen above
    change(filled, "UPDATE chain SET link_sha256 = 'x' WHERE seq = (SELECT max(seq) FROM chain)")
    assert check(filled).last_link != before


def test_canonical_bytes_are_as_documented_and_do_not_depend_on_batches() -> None:
    """Independent of the code: 64-bit big-endian integers, written out by hand."""
    good = (1, 20, -3000, None, None)
    assert reading_bytes([good]).hex() == "00000000000000010000000000000014fffffffffffff448"
    bad = (2, 40, None, "é", None)
    text = '[null,"é",null]'.encode()
    assert reading_bytes([bad]) == struct.pack(">3q", -3, 40, len(text)) + text
    together = hashlib.sha256(reading_bytes([good, bad, (3, 60, 5, None, None)])).digest()
    apart = hashlib.sha256()
    for row in (good, bad, (3, 60, 5, None, None)):
        apart.update(reading_bytes([row]))
    assert together == apart.digest()
