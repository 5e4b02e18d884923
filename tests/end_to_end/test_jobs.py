"""Whole jobs from one TOML file, the simulator as hardware: four wheel ends, in each a wrong step caught."""

import json

import numpy as np
import pytest

from analysis.trace import Trace
from analysis.trace_file import write_trace_file
from capture.commands import run
from config.indicators import indicator_named, load_indicators
from simulators.hand import Strokes, Turn
from simulators.recording import Marks, record
from tests.recordings import trace_of

SHEET = """[job]
technician = "A. Invented"
vehicle = "invented hatchback"
vin = "{vin}"
odometer = "120000 km"
indicator = "bench"
release = {release}
[[wheel]]
wheel = "front left"
new_part = 'AB,12 "x"'
new_lot = "7"
torque = "180 N m"
source = "invented workshop manual"
limits = {{ bore = "0.03 mm", runout = "0.05 mm", endplay = "0.1 mm" }}
"""
FOUND = [("vehicle_secured", "yes"), ("turning", "smooth"), ("seal", "sound")]
OUT = [
    ("replace", "yes"), ("caliper_hung", "on a wire"), ("nut_loosened", "hand tool"),
    ("pressed_out", "pressed"),
    ("flange_off", "yes"), ("groove", "no"), ("bore_clean", "yes"),
]  # fmt: skip
IN = [
    ("encoder_side", "to the sensor"), ("pressed_in", "on the outer race"), ("retaining_ring", "new"),
    ("flange_in", "inner race supported"), ("nut", "new"), ("torque_tool", "torque wrench"),
    ("torque", "180 N m"),
]  # fmt: skip
END = [("alignment", "yes"), ("released", "yes")]
VIN = "1G4AH59H45G118341"


INDICATOR = indicator_named("bench", load_indicators())
SOUND, BENT, WORN = ("sound-hub", 1), ("bent-flange", 2), ("worn-bearing", 3)
RECORDED = {
    "runout_good": (SOUND, Turn(turns=3.2, manner="gentle", turn_s=4.0)),
    "runout_bent": (BENT, Turn(turns=3.2, manner="gentle", turn_s=4.0)),
    "play_good": (SOUND, Strokes(3)),
    "play_worn": (WORN, Strokes(3)),
}


@pytest.fixture(scope="module")
def recorded():
    """Simulated wheel ends under the simulated indicator, turned, pushed and pulled by the simulated hand."""
    return {
        name: record(hub, action, seed, indicator=INDICATOR, marks=Marks(missed=0.0, doubled=0.0))
        for name, ((hub, seed), action) in RECORDED.items()
    }


@pytest.fixture(scope="module")
def traces(tmp_path_factory, recorded):
    """What the simulator recorded as trace files; bores, which it has not, round and oval in closed form."""
    folder = tmp_path_factory.mktemp("traces")
    for name, recording in recorded.items():
        write_trace_file(trace_of(recording), folder / f"{name}.csv")
    turn = np.linspace(0, 720, 600)
    noise = np.random.default_rng(1).normal(0, 0.3, (2, 600))
    for k, (name, swing) in enumerate((("bore_good", 6.0), ("bore_oval", 60.0))):
        um = np.rint(swing / 2 * np.cos(2 * np.radians(turn)) + noise[k])
        write_trace_file(Trace(np.arange(600) / 25, um, angle_deg=turn), folder / f"{name}.csv")
    return folder


def drive(capsys, folder, steps, *, release="true", vin=VIN):
    body = SHEET.format(vin=vin, release=release)
    for step in steps:
        name, value = step[0], step[1]
        key = "trace" if value.endswith(".csv") else "answer"
        body += f'[[step]]\nstep = "{name}"\n{key} = "{value}"\n'
    file = folder / "job.toml"
    file.write_text(body, encoding="utf-8")
    data = folder / "data"
    status = run(["job", "run-file", str(file), "--data", str(data), "--json"])
    out = capsys.readouterr()
    run(["job", "decide", "--data", str(data), "--json"])
    decided = {}
    for line in capsys.readouterr().out.splitlines():
        told = json.loads(line)
        decided[told["part"]] = told["action"]
    return status, [json.loads(line) for line in out.out.splitlines()], out.err, decided


@pytest.fixture
def folder(tmp_path, traces):
    for trace in traces.iterdir():
        (tmp_path / trace.name).write_bytes(trace.read_bytes())
    return tmp_path


def before_after(capsys, folder):
    """The lines of each quantity, as `job show` tells them."""
    capsys.readouterr()
    assert run(["job", "show", "--data", str(folder / "data"), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    return {line["quantity"]: line for line in shown["wheels"][0]["before_after"]}


def near(figure, true_um):
    """The truth lies within the stated uncertainty."""
    return figure["value_mm"] == pytest.approx(true_um / 1000, abs=figure["expanded_mm"])


def measured(play, runout):
    return [
        ("nut_torqued", "yes"),
        ("play_found", f"play_{play}.csv"),
        ("runout_found", f"runout_{runout}.csv"),
    ]


AFTER = [("play_after", "play_good.csv"), ("runout_after", "runout_good.csv")]


def test_good_hub_is_let_alone(capsys, folder):
    steps = [*FOUND, ("nut_torqued", "no"), *measured("good", "good"), ("replace", "no"), ("released", "yes")]
    status, lines, error, decided = drive(capsys, folder, steps)
    assert error == ""
    assert status == 1  # a wrong step was caught on the way, and put right
    assert [line["problem"] for line in lines if line.get("problem")] == [
        "the hub nut is not at its torque: the end play would mean nothing"
    ]
    assert lines[-1]["released"]
    assert set(decided.values()) == {"keep"}


def test_worn_bearing_is_replaced(capsys, folder, recorded):
    encoder = [("encoder_side", "away from the sensor")]
    steps = [*FOUND, *measured("worn", "good"), *OUT, ("bore", "bore_good.csv"), *encoder, *IN, *AFTER, *END]
    _status, lines, error, decided = drive(capsys, folder, steps)
    assert error == ""
    answers = {line["step"]: line["answer"] for line in lines if "step" in line}
    assert (answers["play_found"], answers["play_after"], answers["bore"]) == ("over", "within", "within")
    assert [line["step"] for line in lines if line.get("problem")] == ["encoder_side"]
    assert lines[-1]["released"]
    assert decided["bearing"] == "keep"  # the new one
    play = before_after(capsys, folder)["endplay"]
    was_um, is_um = (recorded[name].truth.strokes.play_um for name in ("play_worn", "play_good"))
    assert near(play["before"], was_um)
    assert near(play["after"], is_um)
    assert play["change"]["direction"] == "better"
    assert play["change"]["better_by_mm"] == pytest.approx(
        (was_um - is_um) / 1000, abs=play["change"]["expanded_mm"]
    )


def test_bent_flange(capsys, folder, recorded):
    nut = [("nut", "old, one-use")]
    early = drive(capsys, folder, [*FOUND, *measured("good", "bent")], release="false")
    assert early[3]["flange"] == "replace"
    assert early[3]["bearing"] == "keep"
    bent = before_after(capsys, folder)["runout"]
    assert near(bent["before"], max(recorded["runout_bent"].truth.turn.fim_per_turn_um()))
    assert bent["change"] is None
    other = folder / "second"
    other.mkdir()
    for trace in folder.glob("*.csv"):
        (other / trace.name).write_bytes(trace.read_bytes())
    steps = [
        *FOUND,
        *measured("good", "bent"),
        *OUT,
        ("bore", "bore_good.csv"),
        *IN[:4],
        *nut,
        *IN[4:],
        *AFTER,
        *END,
    ]
    _, lines, error, _ = drive(capsys, other, steps)
    assert error == ""
    assert [line["step"] for line in lines if line.get("problem")] == ["nut"]


def test_bore_out_of_round_keeps_the_bearing_out(capsys, folder):
    steps = [*FOUND, *measured("worn", "good"), *OUT, ("bore", "bore_oval.csv"), *IN]
    status, lines, error, decided = drive(capsys, folder, steps)
    assert status == 2
    assert "step 'pressed_in' comes after 'bore'" in error
    assert error.count("\n") == 1
    assert decided["knuckle"] == "replace"
    assert lines[-1]["step"] == "encoder_side"  # what came before is kept


def test_impact_wrench_and_wrong_unit_are_caught(capsys, folder):
    wrong = [("torque_tool", "impact wrench"), ("torque_tool", "torque wrench"), ("torque", "133 N m"), IN[6]]
    steps = [
        *FOUND,
        *measured("worn", "good"),
        *OUT,
        ("bore", "bore_good.csv"),
        *IN[:5],
        *wrong,
        *AFTER,
        *END,
    ]
    _, lines, error, _ = drive(capsys, folder, steps)
    assert error == ""
    problems = [line["problem"] for line in lines if line.get("problem")]
    assert "impact wrench" in problems[0]
    assert "the figure in lbf ft was set in N m" in problems[1]


def test_bad_input_is_one_line_and_loses_nothing(capsys, folder):
    data = ["--data", str(folder / "data")]
    opened = ["job", "open", "--technician", "A", "--wheel", "FL", "--vin", VIN, "--part", 'a,"b"', *data]
    assert run([*opened, "--odometer", "1000 km"]) == 0
    for arguments, says in (
        ([*opened, "--odometer", "1000 km"], "still open"),
        (["job", "open", "--technician", "A", "--wheel", "FL", "--vin", VIN[:-1], *data], "16 characters"),
        (["job", "open", "--technician", "A", "--wheel", "XX", *data], "wheel position"),
        (["job", "open", "--technician", "A", "--wheel", "FL", "--torque", "180", *data], "no unit"),
        (
            ["job", "open", "--technician", "A", "--wheel", "FL", "--odometer", "far", *data],
            "not a distance",
        ),
        (["job", "step", "last", "turning", "wobbly", "--technician", "B", *data], "smooth, rough, stiff"),
        (
            ["job", "step", "last", "play_found", "--trace", "x.csv", "--technician", "B", *data],
            "nut_torqued",
        ),
        (["job", "skip", "last", "seal", "--technician", "B", *data], "without a reason"),
        (["job", "release", "last", *data], "is open"),
        (["job", "show", "nothing", *data], "no job"),
    ):
        capsys.readouterr()
        assert run(arguments) == 2
        error = capsys.readouterr().err
        assert says in error
        assert error.count("\n") == 1
    for technician in ("A", "B"):  # two technicians at one job: both kept, the latest counts
        assert run(["job", "step", "last", "turning", "smooth", "--technician", technician, *data]) == 0
    capsys.readouterr()
    run(["job", "show", "last", "--json", *data])
    told = json.loads(capsys.readouterr().out)
    assert [entry["technician"] for entry in told["wheels"][0]["entries"]] == ["A", "B"]
    assert told["wheels"][0]["new_part"] == 'a,"b"'
