"""`hubproof fit`, `clock` and `study`: published values through the commands, and one line for bad input."""

from __future__ import annotations

import csv
import io
import json
from math import cos, pi, radians
from pathlib import Path
from typing import Any

import pytest

from capture.commands import run
from tests.reference.test_msa_crossed_study import TABLE

N7 = ("fit", "--size", "74 mm", "--bore", "N7")
PRESSED = (*N7, "--wall", "96 mm", "--width", "36 mm")


def told(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert run([*arguments, "--json"]) == status
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_standard_ring_in_a_standard_hole(capsys: pytest.CaptureFixture[str]) -> None:
    """ISO 286-2 N7 over 65 to 80 mm: -9/-39 um; ISO 492 class Normal over 50 to 80 mm: 0/-13 um."""
    (fit,) = told(capsys, *N7)
    assert (fit["interference_least_mm"], fit["interference_most_mm"]) == (-0.004, 0.039)
    assert fit["kind"] == "transition"
    assert "ISO 492" in fit["ring"]["source"]
    assert "press_force_n" not in json.dumps(fit)


def test_compound_cylinder_of_the_textbook(capsys: pytest.CaptureFixture[str]) -> None:
    """V. B. Bhandari, Design of Machine Elements, Example 22.6: 20/40/60 mm, 38.46 MPa at 0.031711 mm.

    The book's steel has 207 000 MPa; the ring's bearing steel here 208 000 MPa: within 0.5 %.
    """
    sizes = ("--size", "40 mm", "--bore", "40 mm", "--ring", "40.031711 mm", "--wall", "60 mm")
    more = ("--width", "25 mm", "--ring-inner", "20 mm", "--knuckle", "cast steel", "--friction", "0.1")
    (fit,) = told(capsys, "fit", *sizes, *more)
    assert fit["most"]["pressure_mpa"] == pytest.approx(38.4615, rel=5e-3)
    assert fit["most"]["hoop_stress_mpa"] == pytest.approx(100.0, rel=5e-3)
    assert fit["most"]["press_force_n"] == pytest.approx(0.1 * fit["most"]["pressure_mpa"] * pi * 40 * 25)


def test_measured_bore_takes_the_place_of_its_limits(capsys: pytest.CaptureFixture[str]) -> None:
    bore = ("--size", "74 mm", "--bore", "73.970 mm +- 0.003 mm")
    (fit,) = told(capsys, "fit", *bore)
    assert (fit["interference_least_mm"], fit["interference_most_mm"]) == (0.014, 0.033)
    assert (fit["kind"], fit["bore"]["source"]) == ("interference", "measured bore")
    limits = ("--bore", "73.961 mm to 73.991 mm", "--ring", "73.987 mm to 74 mm")
    (typed,) = told(capsys, "fit", "--size", "74 mm", *limits)
    assert (typed["interference_least_mm"], typed["interference_most_mm"]) == (-0.004, 0.039)


def test_press_force_says_its_friction_and_that_it_is_a_guide(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*PRESSED, "--ring-inner", "62 mm", "--friction", "0.15", "--contact-angle", "45"]) == 0
    shown = capsys.readouterr().out
    assert "friction 0.15 assumed" in shown
    assert "end play lost: 0.0000 to 0.0" in shown
    assert "caution:" in shown


def test_opposite_vectors_cancel(capsys: pytest.CaptureFixture[str]) -> None:
    """By hand: flange 40 um at 0 deg, disc's own 40 um at 0 deg too: 80 um, and none at half a turn."""
    asked = ("clock", "--flange", "0.040 mm at 0", "--disc", "0.080 mm at 0", "--bolts", "4")
    (clock,) = told(capsys, *asked)
    by_hand = [0.080 * abs(cos(radians(45 * bolts))) for bolts in range(4)]
    assert [p["run_out_mm"] for p in clock["positions"]] == pytest.approx(by_hand, abs=1e-6)
    assert (clock["best_bolts"], clock["sure"]) == (2, True)
    assert run(list(asked)) == 0
    assert "turn the disc on by 2 bolts" in capsys.readouterr().out


def test_the_flange_grows_with_the_radius(capsys: pytest.CaptureFixture[str]) -> None:
    """A tilt of 40 um on 50 mm is 80 um on 100 mm: all that the disc shows; its own is none."""
    asked = ("clock", "--flange", "40 um at 30", "--disc", "80 um at 30", "--bolts", "5")
    (clock,) = told(capsys, *asked, "--flange-radius", "50 mm", "--disc-radius", "100 mm")
    assert [p["run_out_mm"] for p in clock["positions"]] == pytest.approx([0.080] * 5, abs=1e-6)
    assert (clock["best_bolts"], clock["gain_mm"], clock["sure"]) == (0, 0, False)


def test_results_of_analyse_are_clocked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two faces in closed form, read by `analyse`: swings 20 and 60 um, both high at 90 degrees."""
    for name, swing_um in (("flange", 20.0), ("disc", 60.0)):
        trace = tmp_path / f"{name}.csv"
        rows = "".join(
            f"{i / 50:.2f},{round(swing_um / 2 * cos(radians(i * 2 - 90))) / 1000:.3f},{i * 2}\n"
            for i in range(620)
        )
        trace.write_text("time_s,reading_mm,angle_deg\n" + rows)
        capsys.readouterr()
        assert run(["analyse", "--kind", "runout", "--json", str(trace)]) == 0
        result = json.loads(capsys.readouterr().out)
        (tmp_path / f"{name}.json").write_text(json.dumps(result, indent=1))  # as the demo lays it out
    files = ("--flange", str(tmp_path / "flange.json"), "--disc", str(tmp_path / "disc.json"))
    (clock,) = told(capsys, "clock", *files, "--bolts", "4")
    assert clock["best_bolts"] == 2  # the disc's own 40 um against the flange's 20 um
    assert clock["predicted_mm"] == pytest.approx(0.020, abs=0.0015)
    assert clock["sure"]


def test_a_study_that_is_not_there_is_said_to_be_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["study", "judge", str(tmp_path / "none")]) == 2
    assert "cannot be read: No such file" in capsys.readouterr().err


def study_file(folder: Path, names: tuple[str, ...] = ("A", "B", "C"), column: str = "value_mm") -> str:
    file = folder / "study.csv"
    with file.open("w", newline="") as out:
        rows = csv.writer(out)
        rows.writerow(("part", "technician", "trial", column))
        for name in names:
            for trial, values in enumerate(TABLE[name], start=1):
                rows.writerows((part, name, trial, value) for part, value in enumerate(values, start=1))
    return str(file)


def test_study_of_the_manual(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """AIAG, Measurement Systems Analysis, 4th edition, example: 0.20188, 0.22963, 0.30575; ndc 5, 4."""
    by_range, by_variance = told(capsys, "study", "judge", study_file(tmp_path))
    assert by_range["repeatability_mm"] == pytest.approx(0.20188, rel=3e-4)
    assert by_range["reproducibility_mm"] == pytest.approx(0.22963, rel=3e-4)
    assert by_range["combined_mm"] == pytest.approx(0.30575, rel=3e-4)
    assert by_range["percent_of_total"] == pytest.approx(26.68, abs=0.02)
    assert (by_range["categories"], by_variance["categories"]) == (5, 4)
    rows = {row["source"]: row for row in by_variance["table"]}
    assert rows["part"]["sum_of_squares_mm2"] == pytest.approx(88.3619, abs=6e-5)
    assert by_range["outside"] == [["B", "4"]]


def test_a_system_too_coarse_for_the_limit_is_not_good(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """6 x 0.30575 is more than 30 % of a limit of 5."""
    studies = told(capsys, "study", "judge", study_file(tmp_path), "--limit", "5 mm", status=1)
    assert studies[0]["percent_of_limit"] == pytest.approx(600 * 0.30575 / 5, rel=3e-4)
    assert {study["fit_for_use"] for study in studies} == {"not good"}


def test_short_form_for_one_technician(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With one technician the total of within-cell squares over its freedom is the repeatability."""
    by_range, by_variance = told(capsys, "study", "judge", study_file(tmp_path, ("A",)))
    cells = list(zip(*TABLE["A"], strict=True))
    squares = sum(sum((v - sum(cell) / 3) ** 2 for v in cell) for cell in cells)
    assert by_variance["repeatability_mm"] == pytest.approx((squares / 20) ** 0.5)
    assert by_range["reproducibility_mm"] is by_variance["reproducibility_mm"] is None
    assert run(["study", "judge", study_file(tmp_path, ("A",))]) == 0
    assert "reproducibility (AV)   cannot be told" in capsys.readouterr().out


def test_plan_is_a_table_to_fill_in(capsys: pytest.CaptureFixture[str]) -> None:
    names = [word for name in ("A", "B") for word in ("--technician", name)]
    parts = [word for name in ("1", "2", "3") for word in ("--part", name)]
    assert run(["study", "plan", *names, *parts, "--trials", "2"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert len({(r["part"], r["technician"], r["trial"]) for r in rows}) == len(rows) == 12
    assert {r["value_mm"] for r in rows} == {""}


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("fit", "--size", "74", "--bore", "N7"), "no unit"),
        (("fit", "--size", "74 mm", "--bore", "Q7"), "unknown hole class"),
        (("fit", "--size", "740 mm", "--bore", "N7"), "no limits for"),
        (("fit", "--size", "74 mm", "--bore", "7.4 mm"), "far from the nominal"),
        ((*PRESSED, "--ring-inner", "80 mm"), "outer diameter larger"),
        (PRESSED, "either --ring-inner or --bearing-bore"),
        ((*N7, "--wall", "96 mm", "--ring-inner", "62 mm"), "the press force needs more"),
        (
            ("clock", "--flange", "none.json", "--disc", "1 um at 0", "--bolts", "5"),
            "cannot be read: No such file",
        ),
        (("clock", "--flange", "1 um at noon", "--disc", "1 um at 0", "--bolts", "5"), "no angle"),
        (("clock", "--flange", "1 um at 0", "--disc", "1 um at 0", "--bolts", "1"), "2<=x<=12"),
        (
            (
                "clock",
                "--flange",
                "1 um at 0",
                "--disc",
                "1 um at 0",
                "--bolts",
                "5",
                "--disc-radius",
                "9 mm",
            ),
            "one radius alone",
        ),
        (("study", "judge", "none.csv"), "cannot be read"),
    ],
)
def test_bad_input_is_one_line(
    arguments: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(list(arguments)) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("part,technician,trial,value\n1,A,1,0.1\n", "has no unit"),
        ("part,technician,value_mm\n1,A,0.1\n", "(trial)"),
        ("part,technician,trial,value_mm\n1,A,1,\n", "line 2: trial '1', value_mm ''"),
        ("part,technician,trial,value_mm\n1,A,one,0.1\n", "line 2: trial 'one'"),
        ("part,technician,trial,value_mm\n1,A,1,0.1\n1,A,1,0.1\n", "is there twice"),
        ("part,technician,trial,value_mm\n1,A,1,0.1\n1,A,2,0.1\n2,A,1,0.1\n", "is missing"),
        ("part,technician,trial,value_mm\n1,A,1,nan\n1,A,2,0.1\n", "is not a number"),
        ("", "the header cannot be used"),
    ],
)
def test_a_study_that_cannot_be_read_is_one_line(
    content: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "study.csv"
    file.write_text(content)
    assert run(["study", "judge", str(file)]) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
