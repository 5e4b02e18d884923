"""Angles kept with readings come back exactly, and a later change of one is seen."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from analysis.record import Store


def bored(path: Path) -> str:
    """A run of six readings, five of them with an angle."""
    with Store.open(path) as store:
        now = datetime(2026, 1, 1, tzinfo=UTC)
        ref = store.begin_run("bore", {"name": "x"}, settings={}, started_t_ns=0, started_utc=now)
        store.append_readings(ref.key, [(seq, seq * 10**7, 1000 * seq, None, None) for seq in range(6)])
        store.add_angles(ref.key, [(seq, 0.1 * seq + 1 / 3) for seq in range(5)])
        store.end_run(ref.key, "done", 10**8)
    return ref.id


def test_angles_come_back_to_the_last_bit(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    run = bored(path)
    with Store.open(path) as store:
        angle = store.trace(run).angle_deg
        assert store.verify().differences == ()
    assert angle is not None
    np.testing.assert_array_equal(angle, [*(0.1 * seq + 1 / 3 for seq in range(5)), np.nan])


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE reading_angle SET angle_deg = angle_deg + 1e-9 WHERE seq = 2",
        "DELETE FROM reading_angle WHERE seq = 4",
        "DELETE FROM reading_angle",
        "INSERT INTO reading_angle VALUES (1, 5, 9.0)",
    ],
)
def test_a_changed_angle_is_seen(tmp_path: Path, change: str) -> None:
    path = tmp_path / "record.sqlite"
    run = bored(path)
    connection = sqlite3.connect(path)
    connection.execute(change)
    connection.commit()
    connection.close()
    with Store.open(path) as store:
        differences = store.verify().differences
    assert [(each.subject, "changed" in each.text) for each in differences] == [(run, True)]
