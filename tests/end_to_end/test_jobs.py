"""Whole jobs from one TOML file, the simulator as hardware: four wheel ends, in each a wrong step caught."""

import json

import pytest

from analysis.trace import Trace
from analysis.trace_file import write_trace_file
from capture.commands import run
from config.indicators import indicator_named, load_indicators
from simulators.bench import Workshop
from simulators.bore import Bore, Gauging, gauge_bore
from simulators.hand import Strokes, Turn
from simulators.hub import Hub, Order, Surface
from simulators.indicator import Gauge
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
limits = {{ bore = "0.03 mm", runout = "0.05 mm", endplay = "0.1 mm", disc = "0.05 mm" }}
sizes = {{ size = "74 mm", bore = "N7", wall = "96 mm", width = "40 mm", bearing_bore = "39 mm", studs = "5",\
 directions = "4", depths = "2", contact_angle = "35" }}
"""
FOUND = [("vehicle_secured", "yes"), ("turning", "smooth"), ("seal", "sound")]
OUT = [
    ("replace", "yes"), ("caliper_hung", "on a wire"), ("nut_loosened", "hand tool"),
    ("pressed_out", "pressed"),
    ("flange_off", "yes"), ("old_part", 'OLD 1,2 "x"'), ("groove", "no"), ("bore_clean", "yes"),
    ("setting_ring", "74.002 mm +- 0.001 mm"), ("ring_temperature", "22 °C"),
    ("knuckle_temperature", "24 °C"),
]  # fmt: skip
FIT = [("ring_size", "73.994 mm +- 0.003 mm"), ("fit", "")]
IN = [
    ("new_part", "NEW-7"), ("new_lot", "B"), ("encoder_side", "to the sensor"),
    ("pressed_in", "on the outer race"), ("retaining_ring", "new"), ("flange_in", "inner race supported"),
    ("turning_after", "smooth"), ("nut", "new"), ("torque_tool", "torque wrench"), ("torque", "180 N m"),
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
RING_MM = 74.002
GAUGING = Gauging(knuckle_c=24.0, ring_c=22.0)
BORES = {
    "bore_good": Bore(diameter_mm=73.974, taper_um=-3.0, oval_um=6.0),
    "bore_oval": Bore(diameter_mm=73.974, taper_um=-3.0, oval_um=60.0),
    "bore_large": Bore(diameter_mm=74.030, taper_um=2.0, oval_um=6.0),
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
    """What the simulator recorded as trace files; the bores with the indicator in a simulated bore gauge."""
    folder = tmp_path_factory.mktemp("traces")
    for name, recording in recorded.items():
        write_trace_file(trace_of(recording), folder / f"{name}.csv")
    for name, bore in BORES.items():
        readings, _ = gauge_bore(bore, GAUGING, 4, ring_mm=RING_MM)
        write_trace_file(Trace(readings.time_s, readings.length_nm / 1000.0), folder / f"{name}.csv")
    (folder / "hub.jpg").write_bytes(b"\xff\xd8\xff\xe0 an invented picture")
    return folder


def drive(capsys, folder, steps, *, release="true", vin=VIN):
    body = SHEET.format(vin=vin, release=release)
    for step in steps:
        name, value = step[0], step[1]
        key = {"csv": "trace", "jpg": "photo"}.get(value.rpartition(".")[2], "answer")
        given = f"{key} = {json.dumps(value)}\n" if value else ""
        body += f'[[step]]\nstep = "{name}"\n{given}'
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


def shown(capsys, folder):
    """The job, as `job show` tells it."""
    capsys.readouterr()
    assert run(["job", "show", "--data", str(folder / "data"), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def before_after(capsys, folder):
    """The lines of each quantity."""
    return {line["quantity"]: line for line in shown(capsys, folder)["wheels"][0]["before_after"]}


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
    photo = ("photo_found", "hub.jpg")
    steps = [*FOUND, photo, ("nut_torqued", "no"), *measured("good", "good")]
    steps += [("replace", "no"), ("released", "yes")]
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
    steps = [*FOUND, *measured("worn", "good"), *OUT, ("bore", "bore_good.csv"), *FIT, *encoder, *IN]
    steps += [*AFTER, *END]
    _status, lines, error, decided = drive(capsys, folder, steps)
    assert error == ""
    answers = {line["step"]: line["answer"] for line in lines if "step" in line}
    assert (answers["play_found"], answers["play_after"], answers["bore"]) == ("over", "within", "within")
    assert [line["step"] for line in lines if line.get("problem")] == ["encoder_side"]
    assert lines[-1]["released"]
    assert decided["bearing"] == "keep"  # the new one
    end = shown(capsys, folder)["wheels"][0]
    assert end["parts"] == {
        "old_part": 'OLD 1,2 "x"', "old_lot": "", "new_part": "NEW-7", "new_lot": "B",
    }  # fmt: skip
    fit = end["fit"]
    assert fit["verdict"] == "within"
    # Ring 73.994 mm in a bore of 73.974 mm, both at 20 degrees C: 0.020 mm tight.
    assert fit["interference_least_mm"] < 0.020 < fit["interference_most_mm"]
    assert fit["least"]["press_force_n"] < fit["most"]["press_force_n"]
    assert fit["most"]["end_play_loss_mm"] > 0
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
        ("flange_not_bent", "old, bent"),
        ("flange_not_bent", "new"),
        *IN[:7],
        *nut,
        *IN[7:],
        *AFTER,
        *END,
    ]
    _, lines, error, _ = drive(capsys, other, steps)
    assert error == ""
    assert [line["step"] for line in lines if line.get("problem")] == ["flange_not_bent", "nut"]


def test_bore_out_of_round_keeps_the_bearing_out(capsys, folder):
    steps = [*FOUND, *measured("worn", "good"), *OUT, ("bore", "bore_oval.csv"), *IN]
    status, lines, error, decided = drive(capsys, folder, steps)
    assert status == 2
    assert "step 'pressed_in' comes after 'bore'" in error
    assert error.count("\n") == 1
    assert decided["knuckle"] == "replace"
    assert lines[-1]["step"] == "encoder_side"  # what came before is kept


def test_a_bore_too_large_keeps_the_bearing_out(capsys, folder):
    """Round, but 0.039 mm above N7 (73.961 to 73.991 mm): the size decides."""
    steps = [*FOUND, *measured("worn", "good"), *OUT, ("bore", "bore_large.csv"), *IN]
    _, lines, error, decided = drive(capsys, folder, steps)
    assert "step 'pressed_in' comes after 'bore'" in error
    assert "the bearing must not go in" in next(line["problem"] for line in lines if line.get("problem"))
    assert decided["knuckle"] == "replace"


def test_a_ring_too_small_for_a_good_bore_keeps_the_bearing_out(capsys, folder):
    """A ring of 73.940 mm in 73.974 mm lies 0.034 mm loose; Normal in N7 allows 0.004 mm at most."""
    ring = [("ring_size", "73.940 mm +- 0.002 mm"), ("fit", "")]
    steps = [*FOUND, *measured("worn", "good"), *OUT, ("bore", "bore_good.csv"), *ring, *IN]
    _, lines, error, decided = drive(capsys, folder, steps)
    assert "step 'pressed_in' comes after 'fit'" in error
    problem = next(line["problem"] for line in lines if line.get("problem"))
    assert "ring and bore do not fit: the bearing must not go in" in problem
    assert "too loose" in problem
    assert shown(capsys, folder)["wheels"][0]["fit"]["may_go_in"] is False
    assert (decided["knuckle"], decided["bearing"]) == ("keep", "replace")


def face(tmp, name, orders, seed):
    """A trace of three turns of a face of these orders, marked at stud 1."""
    hub = Hub(face=Surface(tuple(Order(n, um, peak) for n, um, peak in orders)))
    stands = Workshop(hub=hub, gauge=Gauge(noise_um=0.2))
    turning = Turn(turns=3.2, manner="gentle", turn_s=4.0)
    done = record(stands, turning, seed, marks=Marks(jitter_s=0.02, missed=0.0, doubled=0.0))
    write_trace_file(trace_of(done), tmp / name)
    return max(done.truth.turn.fim_per_turn_um())


def test_the_disc_is_turned_to_its_best_position_and_measured_again(capsys, folder):
    """Flange 20 um at 40 degrees, disc 24 um of its own at 70: two studs on, 30 + 144 degrees apart."""
    flange, disc = (1, 20.0, 40.0), (1, 24.0, 70.0)
    face(folder, "runout_flange.csv", [flange], 1)
    was_um = face(folder, "disc.csv", [flange, disc], 2)
    is_um = face(folder, "disc_again.csv", [flange, (1, 24.0, 70.0 + 144.0)], 3)
    clocked = [("disc_run", "disc.csv"), ("disc_position", ""), ("disc_run_again", "disc_again.csv")]
    steps = [*FOUND, *measured("good", "flange"), ("replace", "no"), *clocked, ("released", "yes")]
    _, lines, error, _ = drive(capsys, folder, steps)
    assert error == ""
    answers = {line["step"]: line["answer"] for line in lines if "step" in line}
    assert answers["disc_run"] == "over"
    assert answers["disc_position"] == "turn the disc"
    assert answers["disc_run_again"] == "within"
    clocking = shown(capsys, folder)["wheels"][0]["clocking"]
    assert clocking["turn_by_studs"] == 2
    assert clocking["measured_mm"] == pytest.approx(was_um / 1000, abs=0.002)
    assert clocking["as_predicted"]
    assert clocking["again_mm"] == pytest.approx(is_um / 1000, abs=clocking["again_expanded_mm"])
    spread_mm = 2 * clocking["predicted_standard_mm"] + 0.001
    assert clocking["predicted_mm"] == pytest.approx(is_um / 1000, abs=spread_mm)


def test_impact_wrench_and_wrong_unit_are_caught(capsys, folder):
    wrong = [("torque_tool", "impact wrench"), ("torque_tool", "torque wrench"), ("torque", "133 N m"), IN[9]]
    steps = [
        *FOUND,
        *measured("worn", "good"),
        *OUT,
        ("bore", "bore_good.csv"),
        *IN[:8],
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
