from __future__ import annotations

import os
import sqlite3
import stat
import threading
from pathlib import Path

import numpy as np
import pytest

from analysis.record import Store, parse_stage, parse_wheel
from analysis.results import Counts, EndplayResult, LimitOut, PointsTo, Reason, StrokeOut, UncertaintyOut
from config.errors import InputError, StoreError
from tests.analysis.record.conftest import INDICATOR, START_NS, START_UTC, begin, rows

MOST_BYTES_A_READING = 40


def endplay(verdict: str = "over") -> EndplayResult:
    return EndplayResult(
        readings=Counts(used=90, rejected=2),
        resolution_mm=0.001,
        uncertainty_mm=UncertaintyOut(standard=0.002, coverage_factor=2.0, expanded=0.004, budget=()),
        limit_mm=LimitOut(good_up_to=0.0762, bad_above=0.127, source="an invented workshop"),
        verdict=verdict,  # type: ignore[arg-type]
        conformity_probability=0.01,
        points_to=(PointsTo(part="bearing", why="end play over"),),
        reasons=(Reason(code="over_limit", text="0.151 mm is over."),),
        strokes=(StrokeOut(pushed_mm=0.0, pulled_mm=0.151, play_mm=0.151),),
        play_mm=0.151,
        repeatability_mm=0.001,
        zero_return_mm=0.0,
        creep_mm=0.0,
        noise_mm=0.0004,
    )


def test_what_was_stored_comes_back_exactly(store: Store) -> None:
    ref = begin(store, wheel="front left", stage="as found", job="J1")
    store.append_readings(ref.key, rows(10))
    store.append_readings(ref.key, rows(5, first=10))
    store.add_mark(ref.key, START_NS + 101_000_000)  # nearest to reading 5, at 100 ms
    store.add_event(ref.key, START_NS + 50_000_000, "gap", "nothing came for 0.3 s")
    store.end_run(ref.key, "done", START_NS + 300_000_000)
    record = store.run(ref.id)
    assert record.summary.started_utc == "2026-03-04T05:06:07.891234Z"
    assert (record.summary.wheel, record.summary.stage, record.summary.job) == (
        "front left",
        "as found",
        "J1",
    )
    assert (record.summary.readings, record.summary.state, record.summary.duration_s) == (15, "done", 0.3)
    assert record.indicator == INDICATOR
    assert record.settings == {"asked_turns": 3}
    assert [(event.time_s, event.code) for event in record.events] == [(0.05, "gap")]
    assert record.marks_s == (0.101,)
    trace = store.trace(ref.id)
    assert trace.time_s.tolist() == [(t_ns - START_NS) / 1e9 for _, t_ns, *_ in rows(15)]
    assert trace.reading_um.tolist() == [length_nm / 1000 for _, _, length_nm, *_ in rows(15)]
    assert trace.mark is not None
    assert np.flatnonzero(trace.mark).tolist() == [5]
    assert trace.resolution_um == 1.0
    assert trace.flag is None


def test_a_rejected_reading_is_kept_with_its_reason_and_what_the_wire_said(store: Store, path: Path) -> None:
    ref = begin(store)
    store.append_readings(ref.key, [*rows(2), (2, START_NS + 50_000_000, 7000, "hold is on", "+0.007mmH")])
    store.append_readings(ref.key, [(3, START_NS + 60_000_000, None, "not a number", "+0.0?7mm")])
    trace, record = store.trace(ref.id), store.run(ref.id)
    assert trace.flag is not None
    assert trace.flag.tolist() == ["", "", "hold is on"]
    assert (record.summary.rejected, record.unread) == (2, 1)
    with sqlite3.connect(path) as connection:
        raw = connection.execute("SELECT raw FROM reading WHERE seq = 3").fetchone()
    connection.close()
    assert raw == ("+0.0?7mm",)


def test_readings_that_came_in_one_piece_are_spread_as_in_a_file(store: Store) -> None:
    ref = begin(store)
    same = [(seq, START_NS + (seq // 2) * 40_000_000, seq * 1000, None, None) for seq in range(6)]
    store.append_readings(ref.key, same)
    assert store.trace(ref.id).time_s == pytest.approx([0, 0.02, 0.04, 0.06, 0.08, 0.10])


def test_inch_steps_are_recognised(store: Store) -> None:
    ref = begin(store)
    store.append_readings(ref.key, [(i, START_NS + i, i * 1270, None, None) for i in range(4)])
    assert store.trace(ref.id).unit == "in"


def test_appending_nothing_or_twice_the_same_changes_nothing(store: Store) -> None:
    ref = begin(store)
    store.append_readings(ref.key, [])
    store.append_readings(ref.key, rows(5))
    with pytest.raises(StoreError, match="UNIQUE"):
        store.append_readings(ref.key, rows(2, first=4))
    store.append_readings(ref.key, rows(2, first=5))
    assert store.run(ref.id).summary.readings == 7
    assert store.verify().differences == ()


def test_an_ended_or_unknown_run_takes_no_more(store: Store) -> None:
    ref = begin(store)
    store.end_run(ref.key, "done", START_NS)
    for key in (ref.key, 99):
        with pytest.raises(StoreError, match=f"run number {key} is not being written"):
            store.append_readings(key, rows(1))
    with pytest.raises(InputError, match="there is no run number 99"):
        store.save_result(99, endplay())


def test_a_run_that_was_cut_off_is_closed_at_the_next_start(path: Path) -> None:
    with Store.open(path) as store:
        kept = begin(store)
        store.append_readings(kept.key, rows(20))
    with Store.open(path) as store:
        live = begin(store)
        assert store.recover() == (kept,)
        assert store.recover() == ()
        record = store.run(kept.id)
        assert (record.summary.state, record.summary.duration_s) == ("interrupted", 0.38)
        assert record.events[-1].code == "cut_off"
        assert len(store.trace(kept.id)) == 20
        store.append_readings(live.key, rows(1))
        assert store.verify().differences == ()


def test_the_latest_result_is_listed_and_the_whole_is_kept(store: Store) -> None:
    ref = begin(store, "endplay")
    store.save_result(ref.key, endplay("undecided"))
    store.save_result(ref.key, endplay("over"), np.array([[1.0, np.nan, 2.5004]]))
    (line,) = store.runs(kind="endplay")
    assert (line.verdict, line.value_mm, line.expanded_mm, line.points_to) == (
        "over",
        0.151,
        0.004,
        "bearing",
    )
    results = store.run(ref.id).results
    assert [result["verdict"] for result in results] == ["undecided", "over"]
    assert EndplayResult.model_validate(results[1]) == endplay("over")
    assert store.runs(kind="bore") == ()


def test_profiles_are_readable_in_any_sqlite_browser(store: Store, path: Path) -> None:
    ref = begin(store)
    store.save_result(ref.key, endplay(), np.array([[1.0, np.nan, 2.5004], [0.0, -1.0, -2.0]]))
    with sqlite3.connect(path) as connection:
        points = connection.execute("SELECT turn, angle_deg, reading_mm FROM profile_list").fetchall()
    connection.close()
    assert points[:3] == [(1, 0.0, 0.001), (1, 120.0, None), (1, 240.0, 0.0025)]
    assert len(points) == 6


def test_runs_are_found_by_the_beginning_of_their_id(store: Store) -> None:
    with pytest.raises(InputError, match="there is no run yet"):
        store.run("last")
    first, second = begin(store), begin(store)
    assert store.run(first.id.upper()).summary.id == first.id
    latest = second.id  # the one written last, whatever the time of day says
    assert store.run("last").summary.id == latest
    with pytest.raises(InputError, match="2 runs have ids that begin with '0'; expected more of the id"):
        store.run("0")
    for unknown in ("zzz", "", "%", "' OR 1=1 --"):
        with pytest.raises(InputError, match="no run has an id that begins with"):
            store.run(unknown)


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX")
def test_only_the_owner_can_read_the_file_and_its_logs(store: Store, path: Path) -> None:
    begin(store)
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in path.parent.iterdir()}
    assert len(modes) == 3
    assert set(modes.values()) == {0o600}
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


def test_a_reading_takes_at_most_40_bytes_on_the_disk(store: Store, path: Path) -> None:
    ref = begin(store)
    empty = 200_000  # tables, notes and indexes take some pages whatever is stored
    for first in range(0, 20_000, 500):
        store.append_readings(ref.key, rows(500, first=first, step_ns=10_000_000))
    store.close()
    assert (path.stat().st_size - empty) / 20_000 < MOST_BYTES_A_READING


def test_writers_and_readers_of_several_threads_do_not_disturb_each_other(store: Store) -> None:
    refs = [begin(store) for _ in range(4)]

    def write(key: int) -> None:
        for first in range(0, 100, 10):
            store.append_readings(key, rows(10, first=first))
            store.runs()

    threads = [threading.Thread(target=write, args=(ref.key,)) for ref in refs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {run.readings for run in store.runs()} == {100}
    assert store.verify().differences == ()


@pytest.mark.parametrize("text", ["front left", "FL", "fl", "Front-Left", " front  LEFT "])
def test_wheel_positions_as_typed(text: str) -> None:
    assert parse_wheel(text) == "front left"


def test_an_unknown_wheel_position_or_stage_is_refused_in_one_line() -> None:
    with pytest.raises(InputError) as caught:
        parse_wheel("left front")
    assert str(caught.value) == (
        "--wheel: unknown wheel position 'left front'; "
        "expected front left, front right, rear left or rear right (or FL, FR, RL, RR)"
    )
    assert parse_stage("As-Found") == "as found"
    with pytest.raises(InputError, match="unknown stage 'before'; expected as found or after repair"):
        parse_stage("before")


def test_the_start_is_kept_in_utc(store: Store) -> None:
    assert store.run(begin(store).id).summary.started_utc == START_UTC.isoformat().replace("+00:00", "Z")
