"""`hubproof analyse`: statuses, one line for each unusable file, JSON that keeps its schema."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from analysis.results import Counts, EndplayResult, Verdict
from analysis.trace import Trace
from analysis.trace_file import write_trace_file
from capture.commands import run
from capture.commands.analyse import exit_status
from capture.commands.result_table import both_units

RATE_HZ, TURN_S, TURNS = 50, 4.0, 3.3


def turned(path: Path, swing_um: float) -> str:
    """A hub tilted by `swing_um` from lowest to highest, with its marks, in steps of 1 um."""
    time_s = np.arange(int(RATE_HZ * TURN_S * TURNS)) / RATE_HZ
    noise = np.random.default_rng(5).normal(0, 0.4, time_s.size)
    reading_um = np.rint(swing_um / 2 * np.sin(2 * np.pi * time_s / TURN_S) + noise)
    mark = np.zeros(time_s.size, dtype=np.bool_)
    mark[:: int(RATE_HZ * TURN_S)] = True
    write_trace_file(Trace(time_s=time_s, reading_um=reading_um, mark=mark, resolution_um=1.0), path)
    return str(path)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    turned(tmp_path / "good.csv", 20)
    turned(tmp_path / "bent.csv", 90)
    (tmp_path / "text.csv").write_text("time_s,reading_mm\n0,0.001\n0.02,none\n")
    (tmp_path / "short.csv").write_text("time_s,reading_mm\n0,0.001\n0.02,0.001\n")
    return tmp_path


def analyse(folder: Path, *names: str, kind: str = "runout", more: tuple[str, ...] = ()) -> int:
    return run(["analyse", "--kind", kind, *more, *(str(folder / name) for name in names)])


def test_a_table_and_the_status_of_the_worst(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    limit = ("--limit", "0.002 in")
    assert analyse(folder, "good.csv", more=limit) == 0
    assert analyse(folder, "good.csv", "bent.csv", more=limit) == 1
    shown = capsys.readouterr().out
    assert "within" in shown
    assert "over" in shown
    assert max(map(len, shown.splitlines())) <= 80
    assert analyse(folder, "good.csv", "bent.csv") == 0
    assert "no limit" in capsys.readouterr().out


def test_too_few_readings_are_not_measurable(folder: Path) -> None:
    assert analyse(folder, "short.csv", more=("--limit", "0.05 mm", "--json")) == 4
    assert analyse(folder, "short.csv", kind="endplay", more=("--limit", "0.05 mm", "--json")) == 4


@pytest.mark.parametrize("kind", ["runout", "endplay", "bore"])
def test_json_is_one_valid_object_a_file_in_order(
    kind: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = ("bent.csv", "short.csv", "good.csv")
    analyse(folder, *names, kind=kind, more=("--json", "--limit", "0.05 mm"))
    lines = capsys.readouterr().out.splitlines()
    assert run(["schema", kind]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    for name, line in zip(names, lines, strict=True):
        result = json.loads(line)
        jsonschema.validate(result, schema)
        assert (result["file"], result["kind"]) == (str(folder / name), kind)


def test_an_unusable_file_among_others_is_one_line_and_the_others_go_on(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert analyse(folder, "text.csv", "bent.csv", "none.csv", more=("--limit", "0.002 in", "--json")) == 2
    told = capsys.readouterr()
    assert [json.loads(line)["verdict"] for line in told.out.splitlines()] == ["over"]
    assert told.err.splitlines() == [
        f"{folder / 'text.csv'}, line 3: reading_mm is 'none'; expected a number with a decimal point",
        f"{folder / 'none.csv'}: cannot be read: No such file or directory; expected a trace file",
    ]


def test_a_column_that_is_not_used_is_said(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "x.csv").write_text("time_s,reading_mm,marks\n0,0,1\n1,0,1\n")
    assert analyse(folder, "x.csv", more=("--json",)) == 0
    assert capsys.readouterr().err == f"{folder / 'x.csv'}: the column marks is not used\n"


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (
            ("--limit", "0.002"),
            "--limit: '0.002' has no unit; expected a number with a unit, such as '0.05 mm'",
        ),
        (
            ("--limit", "-0.002 in"),
            "--limit: '-0.002 in' is not above zero; expected a length above zero with a unit",
        ),
        (
            ("--limit", "0 mm"),
            "--limit: '0 mm' is not above zero; expected a length above zero with a unit",
        ),
        (
            ("--limit", "2 s"),
            "--limit: '2 s' has an unknown unit 's'; expected a number with a unit, such as '0.05 mm'",
        ),
        (
            ("--second", "face:0"),
            "hubproof analyse: Invalid value for '--second': 'face:0'; expected reference, pilot, or face:"
            " with an angle, such as face:90; see 'hubproof analyse --help'",
        ),
        (
            ("--second", "face:90"),
            "--second face:90: the trace holds no second indicator; expected a reading2 column",
        ),
    ],
)
def test_arguments_that_cannot_be_used(
    more: tuple[str, ...], message: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert analyse(folder, "good.csv", more=more) == 2
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", message + "\n")


def test_a_second_indicator_is_for_run_out_alone(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert analyse(folder, "good.csv", kind="endplay", more=("--second", "pilot")) == 2
    assert "--second goes with --kind runout, not with endplay" in capsys.readouterr().err


def of(verdict: Verdict | None) -> EndplayResult:
    return EndplayResult(
        readings=Counts(used=1, rejected=0), resolution_mm=None, uncertainty_mm=None, limit_mm=None,
        verdict=verdict, reasons=(), strokes=(), play_mm=None, repeatability_mm=None, zero_return_mm=None,
        creep_mm=None, noise_mm=None,
    )  # fmt: skip


def test_over_comes_before_undecided_before_not_measurable() -> None:
    all_four = [of("within"), of("not measurable"), of("undecided"), of("over")]
    assert [exit_status(all_four[:count]) for count in range(5)] == [0, 0, 4, 3, 1]
    assert exit_status([of(None)]) == 0


def test_a_figure_is_shown_in_both_units() -> None:
    assert both_units(0.0508) == "0.0508 mm\n0.00200 in"
    assert both_units(None) == "-"


def test_an_unknown_kind_of_result_has_no_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["schema", "weight"]) == 2
    assert capsys.readouterr().err == (
        "hubproof schema: Invalid value for 'KIND': unknown kind 'weight'; expected one of runout, endplay,"
        " bore, rest; see 'hubproof schema --help'\n"
    )
