"""A job interrupted at one bench and taken up at another: nothing lost, nothing twice, both chains whole."""

from __future__ import annotations

import json
import random
import sqlite3
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.record import Store
from analysis.record.job_merge import _of_run, import_job
from analysis.record.jobs import Jobs
from capture.commands import run
from capture.folder import DATABASE
from config.errors import HubproofError

VIN = "1G4AH59H45G118341"  # the worked sample of 49 CFR 565.15
PHOTO = b"\x89PNG\r\n\x1a\n an invented picture"


class Benches:
    """Two benches with a record each."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.photo, self.trace = folder / "hub.png", folder / "play.csv"
        self.photo.write_bytes(PHOTO)
        stroke = np.concatenate([np.zeros(30), np.linspace(0, 50, 8), np.full(30, 50), np.linspace(50, 0, 8)])
        rows = (f"{i / 25:.2f},{v / 1000:.3f}\n" for i, v in enumerate(np.tile(np.rint(stroke), 4)))
        self.trace.write_text("time_s,reading_mm\n" + "".join(rows))

    def run(self, bench: str, *arguments: str, status: int = 0) -> list[dict[str, Any]]:
        self.capsys.readouterr()
        got = run(["job", *arguments, "--data", str(self.folder / bench), "--json"])
        self.said = self.capsys.readouterr()
        assert got == status, self.said.err
        if status == 2:
            assert self.said.err.count("\n") == 1
            return []
        return [json.loads(line) for line in self.said.out.splitlines()]

    def open(self, bench: str, *more: str) -> str:
        sheet = ("open", "--technician", "A", "--wheel", "FL", "--vin", VIN, "--size", "studs=5", *more)
        return str(self.run(bench, *sheet)[0]["job"])

    def step(self, bench: str, step: str, *answer: str, by: str = "A") -> None:
        self.run(bench, "step", "last", step, *answer, "--technician", by)

    def carry(self, there: str, here: str, status: int = 0) -> list[dict[str, Any]]:
        file = self.folder / "carried"
        self.run(there, "export", "last", "--out", str(file))
        return self.run(here, "import", str(file), status=status)

    def entries(self, bench: str) -> list[tuple[str, str, str]]:
        (wheel,) = self.run(bench, "show", "last")[0]["wheels"]
        return [(entry["step"], entry["answer"], entry["technician"]) for entry in wheel["entries"]]

    def whole(self, bench: str) -> bool:
        with Store.open(self.folder / bench / DATABASE) as store:
            return store.verify().differences == ()


@pytest.fixture
def benches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Benches:
    return Benches(tmp_path, capsys)


def test_taken_up_next_day_on_another_bench_and_brought_back(benches: Benches) -> None:
    job = benches.open("one")
    benches.step("one", "vehicle_secured", "yes")
    benches.step("one", "photo_found", str(benches.photo))
    benches.step("one", "nut_torqued", "yes")
    benches.step("one", "play_found", "--trace", str(benches.trace))
    (came,) = benches.carry("one", "two")
    assert (came["job"], came["new_job"], came["entries"], came["runs"], came["photos"]) == (
        job,
        True,
        4,
        1,
        1,
    )
    assert benches.entries("two") == benches.entries("one")
    benches.step("two", "turning", "smooth", by="B")
    benches.step("two", "replace", "no", by="B")
    (back,) = benches.carry("two", "one")
    assert (back["new_job"], back["entries"], back["runs"], back["differing"]) == (False, 2, 0, [])
    assert benches.entries("one")[-1] == ("replace", "no", "B")
    assert benches.entries("one") == benches.entries("two")
    (again,) = benches.carry("two", "one")
    assert (again["entries"], again["runs"], again["photos"]) == (0, 0, 0)
    assert benches.whole("one")
    assert benches.whole("two")


def test_readings_results_and_photos_come_along_bit_for_bit(benches: Benches) -> None:
    benches.open("one")
    benches.step("one", "photo_found", str(benches.photo))
    benches.step("one", "nut_torqued", "yes")
    benches.step("one", "play_found", "--trace", str(benches.trace))
    benches.carry("one", "two")
    traces, results = [], []
    for bench in ("one", "two"):
        with Store.open(benches.folder / bench / DATABASE) as store:
            trace, record = store.trace("last"), store.run("last")
        traces.append((trace.time_s.tolist(), trace.reading_um.tolist()))
        results.append(record.results)
    assert traces[0] == traces[1]
    assert results[0] == results[1]
    (kept,) = (benches.folder / "two" / "photos").iterdir()
    assert kept.read_bytes() == PHOTO


def test_every_table_of_a_run_comes_along(benches: Benches, tmp_path: Path) -> None:
    """Also those that later versions add: they refer to the run by its key."""
    with Store.open(tmp_path / "record.sqlite"):
        pass
    with sqlite3.connect(tmp_path / "record.sqlite") as connection:
        found = set(_of_run(connection))
    connection.close()
    assert {"reading", "mark", "event", "reading_angle", "run_arrival"} <= found
    assert "result" not in found


def test_both_benches_went_on_both_are_kept_and_the_difference_is_told(benches: Benches) -> None:
    benches.open("one")
    benches.carry("one", "two")
    benches.step("one", "turning", "smooth")
    benches.step("two", "turning", "rough", by="B")
    (merged,) = benches.carry("two", "one")
    assert merged["differing"] == [
        "front left: step 'turning' 'smooth' here and 'rough' there: the latest counts"
    ]
    assert len(benches.said.err.splitlines()) == 1
    assert benches.entries("one") == [("turning", "smooth", "A"), ("turning", "rough", "B")]
    benches.carry("one", "two")
    assert benches.entries("two") == benches.entries("one")


def test_a_job_closed_here_takes_nothing_more(benches: Benches) -> None:
    benches.open("one")
    benches.carry("one", "two")
    benches.run("one", "stop", "last", "--technician", "A", "--reason", "towed away")
    benches.step("two", "turning", "rough", by="B")
    benches.carry("two", "one", status=2)
    assert "is closed here, and the other bench went on" in benches.said.err
    assert [entry[0] for entry in benches.entries("one")] == ["released"]
    benches.carry("one", "two", status=0)
    assert benches.run("two", "show", "last")[0]["state"] == "stopped"
    assert benches.whole("two")


def test_a_changed_file_brings_nothing_in(benches: Benches, tmp_path: Path) -> None:
    benches.open("one")
    benches.step("one", "turning", "rough")
    file = tmp_path / "carried"
    benches.run("one", "export", "last", "--out", str(file))
    with zipfile.ZipFile(file) as packed:
        (tmp_path / "job.sqlite").write_bytes(packed.read("job.sqlite"))
    with sqlite3.connect(tmp_path / "job.sqlite") as connection:
        connection.execute("UPDATE job_entry SET answer = 'smooth'")
    connection.close()
    with zipfile.ZipFile(file, "w") as packed:
        packed.write(tmp_path / "job.sqlite", "job.sqlite")
    benches.run("two", "import", str(file), status=2)
    assert "was changed after it was written (job entry)" in benches.said.err
    assert benches.run("two", "list") == []


def test_what_is_no_job_is_refused_in_one_line(benches: Benches, tmp_path: Path) -> None:
    benches.run("two", "import", str(tmp_path / "none"), status=2)
    assert "cannot be read" in benches.said.err
    benches.run("two", "import", str(benches.photo), status=2)
    assert "is no job" in benches.said.err
    benches.open("one")
    benches.open("two")
    benches.carry("one", "two", status=2)
    assert "is still open here" in benches.said.err
    assert len(benches.run("two", "list")) == 1


def test_a_photo_that_is_not_in_the_file_keeps_the_job_out(benches: Benches, tmp_path: Path) -> None:
    benches.open("one")
    benches.step("one", "photo_found", str(benches.photo))
    file = tmp_path / "carried"
    benches.run("one", "export", "last", "--out", str(file))
    with zipfile.ZipFile(file) as packed:
        record = packed.read("job.sqlite")
    with zipfile.ZipFile(file, "w") as packed:
        packed.writestr("job.sqlite", record)
    benches.run("two", "import", str(file), status=2)
    assert "the photo 'hub.png' is not in it" in benches.said.err
    assert benches.run("two", "list") == []


def test_a_photo_that_was_changed_or_is_gone_is_found(benches: Benches) -> None:
    benches.open("one")
    benches.step("one", "photo_found", str(benches.photo))
    assert benches.whole("one")
    (kept,) = (benches.folder / "one" / "photos").iterdir()
    kept.write_bytes(PHOTO + b"!")
    with Store.open(benches.folder / "one" / DATABASE) as store:
        (found,) = store.verify().differences
    assert found.text == "the photo 'hub.png' was changed after it was kept"
    kept.unlink()
    with Store.open(benches.folder / "one" / DATABASE) as store:
        (found,) = store.verify().differences
    assert found.text == "the photo 'hub.png' is not there"
    out = benches.folder / "out"
    out.mkdir()
    benches.run("one", "export", "last", "--out", str(out / "carried"), status=2)
    assert list(out.iterdir()) == []  # whole or not at all


def test_last_is_the_job_that_was_opened_last_wherever_it_came_from(benches: Benches) -> None:
    older = benches.open("one")
    benches.run("two", "open", "--technician", "B", "--wheel", "RL")
    newer = benches.run("two", "list")[0]["id"]
    assert benches.carry("one", "two")[0]["job"] == older
    assert benches.run("two", "show", "last")[0]["id"] == newer


def test_a_file_damaged_on_its_way_is_one_line(benches: Benches, tmp_path: Path) -> None:
    """Bytes changed at random, in the zip and in the record within it: told, or the record is whole."""
    benches.open("one")
    file, spoiled = tmp_path / "carried", tmp_path / "spoiled"
    benches.run("one", "export", "last", "--out", str(file))
    with zipfile.ZipFile(file) as packed:
        whole, record = file.read_bytes(), packed.read("job.sqlite")
    dice = random.Random(7)
    refused: list[str] = []
    for number in range(24):
        content = bytearray(record if number % 2 else whole)
        for _ in range(4):
            content[dice.randrange(len(content))] = dice.randrange(256)
        if number % 2:
            with zipfile.ZipFile(spoiled, "w") as packed:
                packed.writestr("job.sqlite", bytes(content))
        else:
            spoiled.write_bytes(bytes(content))
        with Jobs.open(tmp_path / f"here {number}" / DATABASE) as jobs:
            try:
                import_job(jobs, spoiled)
            except HubproofError as error:
                refused.append(error.line())
                came_in = jobs.latest()
            else:
                came_in = ()
        assert came_in == ()
    assert len(refused) > 8
    assert all("\n" not in line for line in refused)
