"""`hubproof runs` and `hubproof export`: what was kept comes out again, bit for bit."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from analysis.record import Store
from analysis.results import Counts, EndplayResult, RestResult
from analysis.trace_file import read_trace
from capture.commands import run
from capture.commands.options import DATABASE, data_folder

START_NS = 77_000_000_001


@pytest.fixture
def data(tmp_path: Path) -> Path:
    with Store.open(tmp_path / DATABASE) as store:
        ref = store.begin_run(
            "endplay",
            {"name": "bench", "serial_number": "INVENTED-0001", "resolution_nm": 1270},
            settings={},
            started_t_ns=START_NS,
            started_utc=datetime(2026, 5, 6, 7, 8, 9, tzinfo=UTC),
            wheel="rear right",
            stage="as found",
        )
        rows = [(i, START_NS + 20_000_003 * i, 1270 * (i % 9 - 4), None, None) for i in range(50)]
        store.append_readings(ref.key, rows)
        store.append_readings(ref.key, [(50, START_NS + 10**10, 2540, 'hold, "L"', "+0.0001inH")])
        store.append_readings(ref.key, [(51, START_NS + 2 * 10**10, None, "not a number", "+0.0?")])
        store.add_mark(ref.key, START_NS + 40_000_000)
        store.add_event(ref.key, START_NS + 10**9, "gap", "nothing came for 0.4 s")
        store.end_run(ref.key, "done", START_NS + 3 * 10**10)
        result = EndplayResult(
            readings=Counts(used=50, rejected=2), resolution_mm=0.00127, uncertainty_mm=None, limit_mm=None,
            verdict="not measurable", reasons=(), strokes=(), play_mm=0.0127, repeatability_mm=None,
            zero_return_mm=None, creep_mm=None, noise_mm=None,
        )  # fmt: skip
        store.save_result(ref.key, result)
    return tmp_path


def test_an_exported_run_reads_back_to_the_identical_trace(
    data: Path, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    out = tmp_path / "out.csv"
    assert run(["export", "last", "--data", str(data), "--out", str(out)]) == 0
    assert capsysbinary.readouterr().out == b""
    assert run(["export", "last", "--data", str(data)]) == 0
    assert capsysbinary.readouterr().out == out.read_bytes()
    with Store.open(data / DATABASE) as store:
        kept, record = store.trace("last"), store.run("last")
    again = read_trace(out)
    for name in ("time_s", "reading_um", "mark", "flag"):
        assert np.array_equal(getattr(kept, name), getattr(again, name)), name
    assert (again.unit, again.resolution_um) == (kept.unit, kept.resolution_um) == ("in", 1.27)
    assert out.read_text().splitlines()[:6] == [
        f"# run {record.summary.id} (endplay, done)",
        "# started 2026-05-06T07:08:09.000000Z",
        "# indicator bench, serial number INVENTED-0001",
        "# wheel rear right, as found",
        "# 1 rejected lines without a value are kept in the database only",
        "# resolution_mm: 0.00127",
    ]


def test_runs_are_listed_and_shown(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["runs", "list", "--data", str(data)]) == 0
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80
    short = shown.splitlines()[1].split()[0]
    assert "2026-05-06 07:08:09" in shown
    assert run(["runs", "show", short, "--data", str(data)]) == 0
    shown = capsys.readouterr().out
    assert "52, of these 2 rejected, 1 without a value" in shown
    assert "1.000 s  gap: nothing came for 0.4 s" in shown
    assert "End play: NOT MEASURABLE" in shown
    assert "0.0127 mm (0.00050 in)" in shown
    assert run(["runs", "list", "--data", str(data), "--wheel", "FL"]) == 0
    assert capsys.readouterr().out == "no run was kept yet\n"


def test_a_rest_check_is_shown_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Store.open(tmp_path / DATABASE) as store:
        began = datetime(2026, 5, 6, tzinfo=UTC)
        ref = store.begin_run("rest", {"name": "bench"}, settings={}, started_t_ns=0, started_utc=began)
        store.end_run(ref.key, "done", 3 * 10**9)
        result = RestResult(
            steady=True, holder_moved=False, duration_s=3.0, noise_mm=0.0003, drift_mm_per_min=0.0,
            slip_mm=None, readings=Counts(used=150, rejected=0), resolution_mm=0.001, reasons=(),
        )  # fmt: skip
        store.save_result(ref.key, result)
    assert run(["runs", "show", "last", "--data", str(tmp_path)]) == 0
    shown = capsys.readouterr().out
    assert "Rest check: STEADY" in shown
    assert "0.0003 mm" in shown


def test_runs_as_json(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["runs", "list", "--data", str(data), "--json", "--kind", "endplay", "--wheel", "RR"]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    summary = json.loads(line)
    assert (summary["verdict"], summary["value_mm"], summary["readings"]) == ("not measurable", 0.0127, 52)
    assert run(["runs", "show", summary["id"], "--data", str(data), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["summary"] == summary
    assert record["results"][0]["kind"] == "endplay"


@pytest.mark.parametrize("command", [["runs", "list"], ["runs", "show", "last"], ["export", "last"]])
def test_without_a_database_nothing_is_made(
    command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*command, "--data", str(tmp_path / "none")]) == 2
    path = tmp_path / "none" / DATABASE
    assert capsys.readouterr().err == (
        f"{path}: there is no database yet; measure first, or name the folder with --data\n"
    )
    assert not path.parent.exists()


def test_an_unknown_run_wheel_or_folder_is_one_line(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for arguments, message in (
        (
            ["export", "abc"],
            "no run has an id that begins with 'abc'; expected an id, its beginning, or 'last'",
        ),
        (
            ["runs", "list", "--wheel", "fifth"],
            "--wheel: unknown wheel position 'fifth'; expected front left",
        ),
        (
            ["export", "last", "--out", str(data / "no" / "x.csv")],
            f"{data / 'no' / 'x.csv'}: cannot be written",
        ),
    ):
        assert run([*arguments, "--data", str(data)]) == 2
        told = capsys.readouterr().err
        assert told.startswith(message)
        assert told.count("\n") == 1


def test_the_data_folder_is_this_users(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    assert data_folder().name == "hubproof"
