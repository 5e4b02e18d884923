"""`hubproof study`: walked through trial by trial, left and taken up again, kept with the indicator."""

from __future__ import annotations

import io
import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from analysis.record import Store
from analysis.results import Counts, EndplayResult
from capture.commands import run
from capture.folder import DATABASE
from capture.measure_run import Outcome
from capture.messages import RunRequest
from tests.reference.test_msa_crossed_study import TABLE

NAMES = ("A", "B", "C")
PARTS = tuple(str(number) for number in range(1, 11))


class Walker:
    """A data folder and what a technician types."""

    def __init__(
        self, data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.data, self.capsys, self.patch = data, capsys, monkeypatch

    def run(self, *arguments: str, typed: str = "", status: int = 0) -> list[dict[str, Any]]:
        self.patch.setattr("sys.stdin", io.StringIO(typed))
        self.capsys.readouterr()
        got = run(["study", *arguments, "--data", str(self.data), "--json"])
        self.said = self.capsys.readouterr()
        assert got == status, self.said.err
        return [json.loads(line) for line in self.said.out.splitlines()]

    def begin(self, names: tuple[str, ...] = NAMES, *more: str) -> dict[str, Any]:
        who = [word for name in names for word in ("--technician", name)]
        what = [word for part in PARTS for word in ("--part", part)]
        return self.run("begin", "--indicator", "bench", "--quantity", "step height", *who, *what, *more)[0]

    def next(self) -> str:
        """What the plan asks for now, as the manual's table has it."""
        step = self.run("show")[0]["next"]
        return f"{TABLE[step['technician']][step['trial'] - 1][int(step['part']) - 1]} mm"


@pytest.fixture
def walker(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Walker:
    return Walker(tmp_path, capsys, monkeypatch)


def typed_in_order(walker: Walker) -> list[str]:
    """The manual's values in the order of the plan, read from the record."""
    from capture.studies import studies_in

    with studies_in(walker.data) as studies:
        steps = studies.find("last").to_do
    return [f"{TABLE[s.technician][s.trial - 1][int(s.part) - 1]} mm" for s in steps]


def test_the_manuals_study_walked_through_and_taken_up_again(walker: Walker) -> None:
    """AIAG, Measurement Systems Analysis, 4th edition: EV 0.20188, AV 0.22963, GRR 0.30575; ndc 5 and 4."""
    begun = walker.begin()
    assert (begun["form"], begun["steps"], begun["done"]) == ("crossed", 90, 0)
    lines = typed_in_order(walker)
    (left,) = walker.run("walk", typed="\n".join([*lines[:40], "q"]) + "\n", status=3)
    assert left["left"] == 50
    (shown,) = walker.run("show")
    assert (shown["done"], shown["results"]) == (40, [])
    assert "50 of 90 measurements are missing" in refused(walker, "finish")
    by_range, by_variance = walker.run("walk", typed="\n".join(lines[40:]) + "\n")
    assert by_range["repeatability_mm"] == pytest.approx(0.20188, rel=3e-4)
    assert by_range["reproducibility_mm"] == pytest.approx(0.22963, rel=3e-4)
    assert by_range["combined_mm"] == pytest.approx(0.30575, rel=3e-4)
    assert (by_range["categories"], by_variance["categories"]) == (5, 4)
    (listed,) = walker.run("list")
    assert [result["combined_mm"] for result in listed["results"]] == [
        by_range["combined_mm"],
        by_variance["combined_mm"],
    ]
    assert "is finished" in refused(walker, "walk")
    assert "is finished" in refused(walker, "enter", "last", "1 mm")


def refused(walker: Walker, *arguments: str) -> str:
    walker.run(*arguments, status=2)
    assert walker.said.err.count("\n") == 1
    return str(walker.said.err)


def test_the_result_is_kept_with_the_indicator_and_chained(walker: Walker) -> None:
    walker.begin(("A",))
    lines = typed_in_order(walker)
    (by_range, _) = walker.run("walk", typed="\n".join(lines) + "\n")
    assert by_range["reproducibility_mm"] is None  # the short form: one technician
    path = walker.data / DATABASE
    with Store.open(path) as store:
        assert store.verify().differences == ()
    with sqlite3.connect(path) as connection:
        row = connection.execute(
            "SELECT indicator, repeatability_mm FROM study_list WHERE method = 'average and range'"
        ).fetchone()
        assert row == ("bench", by_range["repeatability_mm"])
        connection.execute("UPDATE study_reading SET value_nm = 1 WHERE key = 1")
    connection.close()
    with Store.open(path) as store:
        (found,) = store.verify().differences
    assert "was changed after it was written (study)" in found.text


def test_a_trial_is_measured_again_and_the_latest_counts(walker: Walker) -> None:
    walker.begin(("A",))
    step = ("--technician", "A", "--part", "3", "--trial", "2")
    walker.run("enter", "last", "9 mm", *step)
    (shown,) = walker.run("enter", "last", "1.17 mm", *step)
    assert shown["done"] == 1
    assert "has no unit" in refused(walker, "enter", "last", "1.17")
    assert "not in the plan" in refused(walker, "enter", "last", "1 mm", *step[:-1], "9")
    assert "technician, part and trial together" in refused(walker, "enter", "last", "1 mm", "--part", "3")
    assert "a value with its unit, or a run" in refused(walker, "enter", "last")
    assert "no study" in refused(walker, "show", "nothing")


def test_a_value_that_is_none_is_asked_for_again(walker: Walker) -> None:
    walker.begin(("A",))
    walker.run("walk", typed="0.5\n0.5 mm\n\n", status=3)
    assert "has no unit" in walker.said.err
    assert walker.run("show")[0]["done"] == 1


def kept_run(data: Path, name: str = "bench", kind: str = "endplay") -> str:
    """A finished run of an end play of 0.0421 mm, with that indicator."""
    judged = EndplayResult(
        readings=Counts(used=1, rejected=0), resolution_mm=0.001, uncertainty_mm=None, limit_mm=None,
        verdict=None, reasons=(), strokes=(), play_mm=0.0421, repeatability_mm=None, zero_return_mm=None,
        creep_mm=None, noise_mm=None,
    )  # fmt: skip
    with Store.open(data / DATABASE) as store:
        when = datetime(2026, 1, 1, tzinfo=UTC)
        ref = store.begin_run(
            kind,  # type: ignore[arg-type]
            {"name": name, "serial_number": ""}, settings={}, started_t_ns=0, started_utc=when,
        )  # fmt: skip
        store.end_run(ref.key, "done", 1)
        store.save_result(ref.key, judged)
    return ref.id


def test_a_run_of_the_studied_quantity_and_indicator_is_a_trial(walker: Walker) -> None:
    who = ("--technician", "A", "--part", "1", "--part", "2")
    walker.run("begin", "--indicator", "bench", "--quantity", "endplay", *who)
    run_id = kept_run(walker.data)
    assert walker.run("enter", "last", "--run", run_id)[0]["done"] == 1
    with sqlite3.connect(walker.data / DATABASE) as connection:
        assert connection.execute("SELECT value_nm, run FROM study_reading").fetchone() == (42_100, run_id)
    connection.close()
    other = kept_run(walker.data, name="another")
    assert "was measured with another; expected bench" in refused(walker, "enter", "last", "--run", other)
    bore = kept_run(walker.data, kind="bore")
    assert "is a run of bore; expected endplay" in refused(walker, "enter", "last", "--run", bore)


def test_what_cannot_be_planned_is_one_line(walker: Walker) -> None:
    part = ("--quantity", "runout", "--part", "1", "--technician", "A")
    assert "named twice" in refused(walker, "begin", "--indicator", "x", *part, "--technician", "A")
    assert "trials: 1" in refused(walker, "begin", "--indicator", "x", *part, "--trials", "1")
    assert "not above zero" in refused(walker, "begin", "--indicator", "x", *part, "--limit", "0 mm")


def test_the_station_measures_a_trial_and_one_without_a_figure_is_measured_again(
    walker: Walker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The runs are kept ones here, the indicator's place being taken: the second try has a figure."""
    walker.run(
        "begin", "--indicator", "bench", "--quantity", "endplay", "--technician", "A", "--part", "1",
        "--trials", "2",
    )  # fmt: skip
    runs = [kept_run(walker.data, kind="bore"), *(kept_run(walker.data) for _ in range(2))]
    asked = []

    async def measured(request: RunRequest, *_: object) -> Outcome:
        asked.append((request.kind, request.indicator, request.unjudged))
        return Outcome(runs[len(asked) - 1], "done", None)

    monkeypatch.setattr("capture.commands.measure.measure_once", measured)
    lines = walker.run("walk", typed="\n\n\n")
    assert asked == [("endplay", "bench", True)] * 3
    assert "is a run of bore" in walker.said.err
    assert lines[1]["repeatability_mm"] == 0.0  # both runs found 0.0421 mm
    with sqlite3.connect(walker.data / DATABASE) as connection:
        kept = [row[0] for row in connection.execute("SELECT run FROM study_reading ORDER BY key")]
    connection.close()
    assert kept == runs[1:]
