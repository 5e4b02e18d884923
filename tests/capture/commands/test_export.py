"""`hubproof export` of many runs: a described folder, JSON lines, Parquet; no formula in any cell."""

from __future__ import annotations

import csv
import hashlib
import importlib
import io
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.measure import measure_endplay, measure_runout
from analysis.record import Store
from analysis.results import RunoutResult
from analysis.trace_file import read_trace
from capture.commands import run
from capture.commands.options import DATABASE

HOSTILE = '=HYPERLINK("http://x";"y")'
JOB = "0195aaaa-0000-7000-8000-000000000001"


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four runs on three days, one with a mark, an angle, a hostile flag and a hostile indicator's name."""
    folder = tmp_path_factory.mktemp("export")
    with Store.open(folder / DATABASE) as store:
        for day, hour, kind in ((1, 23, "endplay"), (2, 0, "endplay"), (2, 23, "runout"), (4, 9, "bore")):
            ref = store.begin_run(
                kind,  # type: ignore[arg-type]
                {"name": HOSTILE, "serial_number": "+1", "resolution_nm": 1000},
                settings={}, started_t_ns=0, started_utc=datetime(2026, 5, day, hour, 30, tzinfo=UTC),
                job=JOB if kind == "endplay" else None, wheel="rear right", stage="as found",
            )  # fmt: skip
            rows = [(i, 10**7 * i, 1000 * (i // 40 % 2 * 80 + i % 3), None, None) for i in range(400)]
            store.append_readings(ref.key, rows)
            store.append_readings(ref.key, [(400, 401 * 10**7, 7000, HOSTILE, "raw")])
            if kind == "bore":
                store.add_angles(ref.key, [(i, i / 3) for i in range(300)])
            store.add_mark(ref.key, 10**9)
            store.end_run(ref.key, "done", 5 * 10**9)
            if kind == "endplay":
                store.save_result(ref.key, measure_endplay(store.trace(ref.id)))
    return folder


def export(data: Path, *arguments: str) -> int:
    return run(["export", *arguments, "--data", str(data)])


def turned(path: Path) -> RunoutResult:
    """A record with one turned hub, index mark tapped; its result."""
    time_s = np.linspace(0, 16, 400)
    angle = 2 * np.pi * 3.3 * time_s / 16
    noise = np.random.default_rng(1).normal(0, 0.4, 400)
    um = np.rint(45 * np.cos(angle - 1.9) + 9 * np.cos(2 * angle - 1) + noise)
    with Store.open(path) as store:
        ref = store.begin_run(
            "runout", {"name": "bench", "resolution_nm": 1000}, settings={}, started_t_ns=0,
            started_utc=datetime(2026, 5, 1, tzinfo=UTC),
        )  # fmt: skip
        rows = [
            (i, int(1e9 * t), int(1000 * v), None, None)
            for i, (t, v) in enumerate(zip(time_s, um, strict=True))
        ]
        store.append_readings(ref.key, rows)
        for at in np.searchsorted(angle, [2 * np.pi, 4 * np.pi, 6 * np.pi]):
            store.add_mark(ref.key, int(1e9 * time_s[at]))
        store.end_run(ref.key, "done", 17 * 10**9)
        result = measure_runout(store.trace(ref.id))
        store.save_result(ref.key, result)
    return result


def test_an_exported_csv_computed_again_by_the_script_beside_it_gives_the_same_figures(
    tmp_path: Path,
) -> None:
    (tmp_path / "data").mkdir()
    result = turned(tmp_path / "data" / DATABASE)
    out = tmp_path / "out"
    assert export(tmp_path / "data", "last", "--working", "--out", str(out)) == 0
    (trace,) = (out / "traces").iterdir()
    script = [sys.executable, "-I", str(out / "compute-runout.py"), str(out), trace.stem]
    printed = subprocess.run(script, capture_output=True, check=True, text=True).stdout
    found = {word: list(map(float, numbers)) for word, *numbers in map(str.split, printed.splitlines())}
    fim = result.fim_mm
    assert len(fim.per_turn) >= 2
    assert found["as_read"] == pytest.approx([fim.as_read, *fim.per_turn_as_read], abs=1e-9)
    assert found["judged"] == pytest.approx(fim.per_turn, abs=1e-9)
    assert found["repeatable"] == pytest.approx([fim.repeatable], abs=1e-9)
    assert found["orders"] == pytest.approx([o.amplitude_mm for o in result.per_turn_orders], abs=1e-9)
    described = json.loads((out / "datapackage.json").read_text("utf-8"))["resources"]
    files = {path.relative_to(out).as_posix() for path in out.rglob("*.csv")}
    assert {table["path"] for table in described} == files
    assert f"model/{trace.stem}.csv" in files


def test_a_period_as_a_folder_that_describes_itself(data: Path, tmp_path: Path) -> None:
    assert export(data, "--from", "2026-05-02", "--to", "2026-05-02", "--out", str(tmp_path / "out")) == 0
    files = {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    rows = list(csv.DictReader(io.StringIO(files["runs.csv"].decode(), newline="")))
    assert [row["kind"] for row in rows] == ["endplay", "runout"]
    assert float(rows[0]["value_mm"]) == pytest.approx(0.080, abs=0.001)
    described = {table["path"]: table for table in json.loads(files["datapackage.json"])["resources"]}
    assert set(described) == {"runs.csv", *(f"{row['id']}.csv" for row in rows)}
    for path, table in described.items():
        assert table["hash"] == f"sha256:{hashlib.sha256(files[path]).hexdigest()}"
        header = next(line for line in files[path].decode().splitlines() if not line.startswith("#"))
        assert header.split(",") == [field["name"] for field in table["schema"]["fields"]]
    units = {f["name"]: f.get("unit") for f in described[f"{rows[0]['id']}.csv"]["schema"]["fields"]}
    assert units == {"time_s": "s", "reading_mm": "mm", "mark": None, "flag": None}
    assert json.loads(files[f"{rows[0]['id']}.json"])["kind"] == "endplay"


def test_what_goes_out_comes_back_bit_for_bit_and_no_cell_is_a_formula(data: Path, tmp_path: Path) -> None:
    assert export(data, "--kind", "bore", "--out", str(tmp_path)) == 0
    path = next(path for path in tmp_path.glob("*.csv") if path.name != "runs.csv")
    again = read_trace(path)
    with Store.open(data / DATABASE) as store:
        kept = store.trace(path.stem)
    for name in ("time_s", "reading_um", "mark"):
        assert np.array_equal(getattr(kept, name), getattr(again, name)), name
    assert kept.angle_deg is not None
    np.testing.assert_array_equal(kept.angle_deg, again.angle_deg)
    assert again.flag is not None
    assert again.flag[400] == f"'{HOSTILE}"
    for table in tmp_path.glob("*.csv"):
        for row in csv.reader(io.StringIO(table.read_text("utf-8"), newline="")):
            assert not any(cell.startswith(("=", "+", "@")) for cell in row)


def test_json_lines_of_a_job(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert export(data, "--job", JOB, "--format", "json") == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["started_utc"][:10] for line in lines] == ["2026-05-01", "2026-05-02"]
    assert len(lines[0]["readings"]["reading_mm"]) == 401
    assert lines[0]["units"]["mm"] == "mm"
    assert "angle_deg" not in lines[0]["readings"]
    assert lines[0]["result"]["play_mm"] == pytest.approx(0.080, abs=0.001)


def test_parquet_holds_every_reading(data: Path, tmp_path: Path) -> None:
    parquet: Any = importlib.import_module("pyarrow.parquet")
    out = tmp_path / "all.parquet"
    assert export(data, "--from", "2026-05-01", "--format", "parquet", "--out", str(out)) == 0
    file = parquet.ParquetFile(out)
    assert file.num_row_groups == 4
    assert json.loads(file.metadata.metadata[b"units"])["mm"] == "mm"
    table = file.read()
    with Store.open(data / DATABASE) as store:
        for number, listed in enumerate(reversed(store.runs())):
            trace, part = store.trace(listed.id), table.slice(401 * number, 401)
            assert set(part["run"].to_pylist()) == {listed.id}
            assert part["time_s"].to_pylist() == trace.time_s.tolist()
            np.testing.assert_allclose(part["reading_mm"].to_pylist(), trace.reading_um / 1000, rtol=1e-12)
            assert trace.mark is not None
            assert part["mark"].to_pylist() == trace.mark.tolist()
            assert part["flag"].to_pylist()[-2:] == [None, HOSTILE]
            known = [value for value in part["angle_deg"].to_pylist() if value is not None]
            assert len(known) == (300 if listed.kind == "bore" else 0)


def test_parquet_without_its_library_is_told_in_one_line(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    out = tmp_path / "all.parquet"
    assert export(data, "--kind", "bore", "--format", "parquet", "--out", str(out)) == 2
    assert "pip install 'hubproof[parquet]'" in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--from", "2027-01-01", "--out", "x"], "no run fits"),
        (["--from", "yesterday", "--out", "x"], "is no date"),
        (["--to", "9999-12-31", "--out", "x"], "is no date"),
        (["--from", "2026-05-02", "--to", "2026-05-01", "--out", "x"], "lies before '2026-05-02'"),
        (["--kind", "bore"], "what is asked for as CSV is several files"),
        (["last", "--format", "parquet"], "Parquet is not for a terminal"),
        (["last", "--kind", "bore"], "name RUNS, or a period"),
        ([], "name RUNS, or a period"),
        (["--kind", "bore", "--out", "/proc/none"], "cannot be written"),
        (["last", "--format", "json", "--out", "/proc/none/x"], "cannot be written"),
    ],
)
def test_what_cannot_be_exported_is_one_line(
    data: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    assert export(data, *arguments) == 2
    told = capsys.readouterr().err
    assert says in told
    assert says == "name RUNS, or a period" or told.count("\n") == 1
