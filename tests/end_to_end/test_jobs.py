"""Whole jobs from one TOML file: four wheel ends, each with a wrong step that is caught."""

import json

import numpy as np
import pytest

from capture.commands import run

SHEET = """[job]
technician = "A. Invented"
vehicle = "invented hatchback"
vin = "{vin}"
odometer = "120000 km"
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


def write(path, reading_um, angle=None, rate_hz=25.0):
    head = "time_s,reading_mm" + (",angle_deg" if angle is not None else "")
    rows = [
        f"{i / rate_hz:.3f},{round(v) / 1000:.3f}" + (f",{angle[i]:.2f}" if angle is not None else "")
        for i, v in enumerate(reading_um)
    ]
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def traces(tmp_path_factory):
    """Run-outs of 20 and 90 um, end plays of 30 and 180 um, bores round and oval, from closed forms."""
    folder = tmp_path_factory.mktemp("traces")
    rng = np.random.default_rng(1)
    angle = np.linspace(0, 1100, 400)
    for name, swing in (("runout_good", 20.0), ("runout_bent", 90.0)):
        write(
            folder / f"{name}.csv",
            swing / 2 * np.cos(np.radians(angle - 30)) + rng.normal(0, 0.3, 400),
            angle,
        )
    for name, play in (("play_good", 30.0), ("play_worn", 180.0)):
        ramp = np.linspace(0, play, 8)
        stroke = np.concatenate([np.zeros(30), ramp, np.full(30, play), ramp[::-1]])
        write(folder / f"{name}.csv", np.tile(stroke, 4) + rng.normal(0, 0.3, stroke.size * 4))
    turn = np.linspace(0, 720, 600)
    for name, swing in (("bore_good", 6.0), ("bore_oval", 60.0)):
        write(
            folder / f"{name}.csv", swing / 2 * np.cos(2 * np.radians(turn)) + rng.normal(0, 0.3, 600), turn
        )
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


def test_worn_bearing_is_replaced(capsys, folder):
    encoder = [("encoder_side", "away from the sensor")]
    steps = [*FOUND, *measured("worn", "good"), *OUT, ("bore", "bore_good.csv"), *encoder, *IN, *AFTER, *END]
    _status, lines, error, decided = drive(capsys, folder, steps)
    assert error == ""
    answers = {line["step"]: line["answer"] for line in lines if "step" in line}
    assert (answers["play_found"], answers["play_after"], answers["bore"]) == ("over", "within", "within")
    assert [line["step"] for line in lines if line.get("problem")] == ["encoder_side"]
    assert lines[-1]["released"]
    assert decided["bearing"] == "keep"  # the new one


def test_bent_flange(capsys, folder):
    nut = [("nut", "old, one-use")]
    early = drive(capsys, folder, [*FOUND, *measured("good", "bent")], release="false")
    assert early[3]["flange"] == "replace"
    assert early[3]["bearing"] == "keep"
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
