"""`hubproof job`: lists, history, before and after, one writer, and what is refused with nothing lost."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.record import Store
from capture.commands import run
from capture.folder import DATABASE, Owned
from capture.job_file import drive
from capture.jobs import jobs_in
from capture.messages import RunRequest
from config.errors import InputError
from config.path import Step, load_path

PHOTO = b"\xff\xd8\xff\xe0 an invented picture"
VIN, OTHER_VIN = "1G4AH59H45G118341", "1M8GDM9AXKP042788"
SHORT_PATH = """
[[step]]
id = "photo"
stage = "as found"
do = "Photograph the wheel end."
records = "photo"
[[step]]
id = "play_found"
stage = "as found"
do = "Push and pull."
records = "run"
run = "endplay"
[[step]]
id = "play_after"
stage = "after repair"
do = "Push and pull again."
records = "run"
run = "endplay"
"""


class Bench:
    """A folder, a short path of three steps, and the commands with both."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.path, self.photo = folder / "path.toml", folder / "hub.jpg"
        self.path.write_text(SHORT_PATH)
        self.photo.write_bytes(PHOTO)

    def run(self, *arguments: str, status: int = 0) -> list[dict[str, Any]]:
        """The JSON lines of a `job` command; of a refusal its one line, under `error`."""
        self.capsys.readouterr()
        got = run(["job", *arguments, "--data", str(self.folder / "data"), "--json"])
        told = self.capsys.readouterr()
        assert got == status, told.err
        if status == 2:
            assert told.err.count("\n") == 1
            return [{"error": told.err}]
        return [json.loads(line) for line in told.out.splitlines()]

    def open(self, *more: str, vin: str = VIN, technician: str = "A", status: int = 0) -> dict[str, Any]:
        asked = ("open", "--vin", vin, "--technician", technician, "--wheel", "FL", *more)
        return self.run(*asked, status=status)[0]

    def step(self, step: str, *more: str, status: int = 0) -> dict[str, Any]:
        named = ("--technician", "A", "--path", str(self.path))
        return self.run("step", "last", step, *more, *named, status=status)[0]

    def play(self, name: str, play_um: float) -> str:
        """A trace of four strokes with this play, exact but for 0.3 um of noise."""
        ramp = np.linspace(0, play_um, 8)
        stroke = np.concatenate([np.zeros(30), ramp, np.full(30, play_um), ramp[::-1]])
        um = np.tile(stroke, 4) + np.random.default_rng(2).normal(0, 0.3, stroke.size * 4)
        file = self.folder / name
        rows = (f"{i / 25:.2f},{round(v) / 1000:.3f}\n" for i, v in enumerate(um))
        file.write_text("time_s,reading_mm\n" + "".join(rows))
        return str(file)

    def finish(self) -> None:
        """The photo, and the runs skipped; released."""
        self.step("photo", str(self.photo))
        for step in ("play_found", "play_after"):
            self.run("skip", "last", step, "--reason", "test", "--technician", "A", "--path", str(self.path))
        self.run("release", "last", "--path", str(self.path))


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    return Bench(tmp_path, capsys)


def budget(capsys: pytest.CaptureFixture[str], data: Path) -> list[str]:
    capsys.readouterr()
    assert run(["runs", "show", "last", "--json", "--data", str(data)]) == 0
    kept = json.loads(capsys.readouterr().out)
    return [line["source"] for line in kept["results"][-1]["uncertainty_mm"]["budget"]]


def test_before_and_after_with_the_changes_own_uncertainty(bench: Bench) -> None:
    bench.open("--limit", "endplay=0.1 mm", "--source", "invented manual")
    bench.step("play_found", "--trace", bench.play("worn.csv", 180), "--indicator", "bench")
    (half,) = bench.run("show", "last", "--path", str(bench.path))[0]["wheels"][0]["before_after"]
    assert (half["before"]["verdict"], half["after"], half["change"]) == ("over", None, None)
    bench.step("play_after", "--trace", bench.play("good.csv", 30), "--indicator", "bench")
    (line,) = bench.run("show", "last", "--path", str(bench.path))[0]["wheels"][0]["before_after"]
    before, after, change = line["before"], line["after"], line["change"]
    assert change["better_by_mm"] == pytest.approx(0.150, abs=0.001)
    # Independent sources: JCGM 100, 5.1.2 (the coverage factors differ a little from that of the sum).
    together = (before["expanded_mm"] ** 2 + after["expanded_mm"] ** 2) ** 0.5
    assert change["expanded_mm"] == pytest.approx(together, rel=0.05)
    assert change["text"].startswith("better by 0.150 mm +- 0.00")
    assert (before["limit_mm"], before["limit_source"]) == (0.1, "invented manual")
    assert run(["job", "show", "last", "--path", str(bench.path), "--data", str(bench.folder / "data")]) == 0
    assert "better by 0.150 mm" in bench.capsys.readouterr().out


def test_a_named_indicator_brings_its_permissible_error(bench: Bench) -> None:
    bench.open()
    trace = bench.play("play.csv", 50)
    bench.step("play_found", "--trace", trace)
    assert not any("permissible" in s for s in budget(bench.capsys, bench.folder / "data"))
    bench.step("play_after", "--trace", trace, "--indicator", "bench")
    assert any("permissible" in s for s in budget(bench.capsys, bench.folder / "data"))
    refused = bench.step("play_found", "--trace", trace, "--indicator", "none", status=2)
    assert "none" in refused["error"]


def test_one_writer_at_a_time(bench: Bench) -> None:
    bench.open()
    trace = bench.play("play.csv", 50)
    with Owned(bench.folder / "data"):
        refused = bench.step("play_found", "--trace", trace, status=2)
    assert "works with this folder" in refused["error"]
    assert bench.run("show", "last")[0]["wheels"][0]["entries"] == []
    bench.step("play_found", "--trace", trace)


def test_a_photo_that_is_not_there_is_refused(bench: Bench) -> None:
    bench.open()
    assert "is not there" in bench.step("photo", str(bench.folder / "none.jpg"), status=2)["error"]
    bench.step("photo", str(bench.photo))
    entries = bench.run("show", "last")[0]["wheels"][0]["entries"]
    assert [entry["answer"] for entry in entries] == ["hub.jpg"]


def test_a_released_job_keeps_no_further_run(bench: Bench) -> None:
    bench.open()
    bench.finish()
    assert "is released" in bench.step("play_found", "--trace", bench.play("p.csv", 50), status=2)["error"]
    assert run(["runs", "list", "--json", "--data", str(bench.folder / "data")]) == 0
    assert bench.capsys.readouterr().out == ""


def test_an_odometer_that_goes_back_is_refused_and_a_comeback_is_told(bench: Bench) -> None:
    bench.open("--odometer", "120000 km", "--part", 'P,1 "x"', "--lot", "7")
    bench.finish()
    refused = bench.open("--odometer", "119999 km", status=2)
    assert "119999 km is below 120000 km of an earlier visit" in refused["error"]
    assert len(bench.run("list")) == 1
    bench.open("--odometer", "123000 km")
    told = bench.run("history")
    assert [line["what"] for line in told] == ["part", "comeback"]
    assert (told[0]["part"], told[0]["lot"], told[0]["share_over"]) == ('P,1 "x"', "7", 0)
    assert (told[1]["wheel"], told[1]["distance_km"], told[1]["lot"]) == ("front left", 3000.0, "7")
    assert [line["what"] for line in bench.run("history", "--within", "1000 mi")] == ["part"]
    assert "is not a distance" in bench.run("history", "--within", "far", status=2)[0]["error"]


def test_share_over_counts_wheel_ends_after_repair(bench: Bench) -> None:
    """Of two wheel ends with one part and lot, one is over after the repair: a half."""
    limits = ("--part", "P", "--lot", "7", "--limit", "endplay=0.1 mm", "--source", "invented")
    for vin, play_um in ((VIN, 180), (OTHER_VIN, 30)):
        bench.open(*limits, vin=vin)
        bench.step("play_after", "--trace", bench.play("after.csv", play_um))
    (line,) = bench.run("history")
    assert (line["wheel_ends"], line["share_over"]) == (2, 0.5)


def test_calibrations_due_are_told(bench: Bench) -> None:
    from config.settings import shipped

    file = bench.folder / "indicators.toml"
    bench.open()
    file.write_text(shipped("indicators.toml").replace("2027-06-01", "2001-06-01"))
    due = bench.run("history", "--indicators", str(file))
    assert {"what": "calibration due", "indicator": "bench", "serial_number": "INVENTED-0001"}.items() <= (
        due[0].items()
    )
    file.write_text(shipped("indicators.toml").replace("2027-06-01", "9999-06-01"))
    assert all(line["indicator"] != "bench" for line in bench.run("history", "--indicators", str(file)))


@pytest.mark.parametrize(
    ("filters", "found"),
    [
        (("--technician", "A"), [VIN]),
        (("--technician", "C"), []),
        (("--part", "P2"), [OTHER_VIN]),
        (("--lot", "7"), [OTHER_VIN, VIN]),
        (("--lot", "7", "--part", "P1"), [VIN]),
        (("--wheel", "front left"), [OTHER_VIN, VIN]),
        (("--wheel", "RR"), []),
        (("--vin", VIN), [VIN]),
        (("--last", "1"), [OTHER_VIN]),
    ],
)
def test_list_is_filtered(bench: Bench, filters: tuple[str, ...], found: list[str]) -> None:
    bench.open("--part", "P1", "--lot", "7")
    bench.open("--part", "P2", "--lot", "7", vin=OTHER_VIN, technician="B")
    assert [row["vin"] for row in bench.run("list", *filters)] == found


def test_two_technicians_at_one_job_at_once_lose_nothing(bench: Bench) -> None:
    """Each with a connection of its own, 20 answers each, as fast as they can: all kept, in one order."""
    job_id = bench.open()["job"]
    data = bench.folder / "data"
    step = Step(id="seal", stage="as found", do="Look.", records="choice", choices=("sound", "torn"))

    def answer(technician: str) -> None:
        with jobs_in(data) as jobs:
            for number in range(20):
                job = jobs.find(job_id)
                jobs.answer(job, job.wheels[0], step, ("sound", "torn")[number % 2], technician)

    with ThreadPoolExecutor(2) as hands:
        for done in [hands.submit(answer, name) for name in ("A", "B")]:
            done.result()
    with jobs_in(data) as jobs:
        entries = jobs.find(job_id).wheels[0].entries
    assert len(entries) == len({entry.id for entry in entries}) == 40
    assert [entry.place for entry in entries] == list(range(1, 41))
    for name in ("A", "B"):
        assert [e.answer for e in entries if e.technician == name] == ["sound", "torn"] * 10
    with Store.open(data / DATABASE) as store:
        assert store.verify().differences == ()


def test_what_another_technician_recorded_is_told(bench: Bench) -> None:
    bench.open("--technician", "A")
    bench.run("step", "last", "turning", "smooth", "--technician", "A")
    told = bench.run("step", "last", "turning", "rough", "--technician", "B")
    assert told[0]["notice"].startswith("A had recorded 'smooth' at ")


def test_a_step_that_was_released_meanwhile_is_refused(bench: Bench) -> None:
    """One technician read the job, the other released it: the answer must not slip in afterwards."""
    job_id = bench.open()["job"]
    step = Step(id="seal", stage="as found", do="Look.", records="yes/no")
    with jobs_in(bench.folder / "data") as jobs:
        job = jobs.find(job_id)
        bench.finish()
        with pytest.raises(InputError, match="is released"):
            jobs.answer(job, job.wheels[0], step, "yes", "B")


def test_both_wheel_ends_of_a_job_are_needed_for_its_release(bench: Bench) -> None:
    bench.open("--wheel", "FR")
    named = ("--technician", "A", "--path", str(bench.path), "--wheel", "FL")
    refused = bench.run("step", "last", "photo", str(bench.photo), *named[:-2], status=2)
    assert "front left, front right" in refused[0]["error"]
    for wheel in ("FL", "FR"):
        where = (*named[:-1], wheel)
        bench.run("step", "last", "photo", str(bench.photo), *where)
        for step in ("play_found", "play_after"):
            if wheel == "FR":
                told = bench.run("release", "last", "--path", str(bench.path), status=2)
                assert "front right: step 'play_" in told[0]["error"]
            bench.run("skip", "last", step, "--reason", "test", *where)
    bench.run("release", "last", "--path", str(bench.path))
    assert len(list((bench.folder / "data" / "photos").iterdir())) == 1  # the same picture is kept once


def test_a_job_file_measures_while_it_runs(bench: Bench) -> None:
    """`measure = true` carries the run of that step through; here a kept one takes the indicator's place."""
    bench.open()
    bench.step("play_found", "--trace", bench.play("p.csv", 50))
    bench.run("stop", "last", "--technician", "A", "--reason", "test")
    run_id = bench.run("show", "last")[0]["wheels"][0]["entries"][0]["run"]
    asked: list[RunRequest] = []

    def measure(request: RunRequest) -> str:
        asked.append(request)
        return str(run_id)

    file = bench.folder / "job.toml"
    file.write_text(
        '[job]\ntechnician = "A"\n[[wheel]]\nwheel = "FL"\n'
        '[[step]]\nstep = "play_found"\nmeasure = true\nstrokes = 5\n'
    )
    lines = drive(file, load_path(bench.path), bench.folder / "data", measure)
    with pytest.raises(InputError, match="belongs to front left of job"):  # it is another job's run
        list(lines)
    assert (asked[0].kind, asked[0].strokes, asked[0].wheel) == ("endplay", 5, "front left")


@pytest.mark.parametrize(
    ("sheet", "says"),
    [
        (("--size", "bore=N7"), "need the bearing's size"),
        (("--size", "size=74"), "no unit"),
        (("--size", "studs=many"), "a whole number, 2 to 12"),
        (("--size", "size=74 mm", "--size", "size=75 mm"), "is there twice"),
        (("--size", "size=74 mm", "--size", "bore=Q7"), "unknown hole class"),
        (("--size", "knuckle=wood"), "unknown material"),
        (("--size", "friction=-1"), "above zero"),
        (("--limit", "colour=1 mm", "--source", "x"), "unknown quantity"),
        (("--limit", "runout=1 mm"), "--source: torque and limits need their source"),
        (("--torque", "180 lbf", "--source", "x"), "N m or lbf ft"),
    ],
)
def test_a_sheet_that_cannot_be_is_one_line_and_opens_nothing(
    bench: Bench, sheet: tuple[str, ...], says: str
) -> None:
    assert says in bench.run("open", "--technician", "A", "--wheel", "FL", *sheet, status=2)[0]["error"]
    with Store.open(bench.folder / "data" / DATABASE):
        assert bench.run("list") == []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x = 1", "is no job"),
        ('[job]\ntechnician = []\n#wheel = "FL"', "is no text"),
        ('[job]\ntechnician = "A"\nodometer = 120000\n#wheel = "FL"', "is not a distance"),
        ('[job]\ntechnician = "A"\nvin = 1\n#wheel = "FL"', "has 1 characters"),
        ('[job]\ntechnician = "A"\n#wheel = 3', "unknown wheel position '3'"),
        ('[job]\ntechnician = "A"\n#wheel = true', "is no text"),
        ('[job]\ntechnician = "A"\n#wheel = "FL"\ntorque = 180\nsource = "x"', "has no unit"),
        ('[job]\ntechnician = "A"\n#wheel = "FL"\nlimits = 3', "is no table"),
        ('[job]\ntechnician = "A"\n#wheel = "FL"\nlimits = { runout = 0.05 }\nsource = "x"', "has no unit"),
        ('[job]\ntechnician = "A"\n#wheel = "FL"\nsizes = { studs = [] }', "is no text"),
        ('[job]\ntechnician = "A"\n#wheel = "FL"\n[step]\nstep = "seal"', "step is no list"),
        ('[job]\ntechnician = "A"\n#wheel = "FL"\n[[step]]\nstep = 3', "step 1: names no step"),
        ('[job]\ntechnician = "A"\n#wheel = "FL"\n[[step]]\nstep = "photo"\nphoto = {}', "is no text"),
        (
            '[job]\ntechnician = "A"\n#wheel = "FL"\n[[step]]\nstep = "none"\nanswer = 1',
            "unknown step 'none'",
        ),
        ('[job]\ntechnician = "A"\n#wheel = "FL"\n[[step]]\nstep = "play_found"\ntrace = "no.csv"', "no.csv"),
        ("[job", "is not TOML"),
    ],
)
def test_a_job_file_that_cannot_be_is_one_line(bench: Bench, text: str, says: str) -> None:
    """`#` stands for the head of a wheel end."""
    file = bench.folder / "job.toml"
    file.write_text(text.replace("#", "[[wheel]]\n"))
    told = bench.run("run-file", str(file), "--path", str(bench.path), status=2)
    assert says in told[0]["error"]


def test_history_goes_by_the_part_that_was_read_at_the_bearing(bench: Bench) -> None:
    """The sheet said P1; what went in was read as P2, then read again as P3: the latest counts everywhere."""
    bench.open("--part", "P1", "--lot", "7", "--odometer", "1000 km")
    for step, answer in (("replace", "yes"), ("new_part", "P2"), ("new_part", "P3"), ("new_lot", "8")):
        bench.run("step", "last", step, answer, "--technician", "A")
    bench.run("stop", "last", "--technician", "A", "--reason", "test")
    bench.open("--odometer", "2000 km")
    part, comeback = bench.run("history")
    assert (part["part"], part["lot"], part["wheel_ends"]) == ("P3", "8", 1)
    assert (comeback["part"], comeback["lot"], comeback["distance_km"]) == ("P3", "8", 1000.0)
    assert len(bench.run("list", "--part", "P3", "--lot", "8")) == 1
    assert bench.run("list", "--part", "P1") == []


def test_the_list_fits_the_terminal_and_says_when_it_is_empty(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    Store.open(tmp_path / DATABASE).close()
    assert run(["job", "list", "--data", str(tmp_path)]) == 0
    assert capsys.readouterr().out == "no job was found\n"
    begun = ["job", "open", "--technician", "A. Invented", "--vehicle", "invented estate " * 5]
    assert run([*begun, "--wheel", "front left", "--data", str(tmp_path)]) == 0
    capsys.readouterr()
    assert run(["job", "list", "--data", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    short = lines[1].split()[0]
    assert run(["job", "show", short, "--data", str(tmp_path)]) == 0
