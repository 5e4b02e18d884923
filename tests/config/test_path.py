"""The path of a job: which steps are asked, wrong steps caught, a workshop's own file checked."""

import pytest

from config.errors import InputError
from config.path import find_step, load_path, open_steps, read_answer

PATH = load_path()
GOOD = {
    "vehicle_secured": "yes", "turning": "smooth", "seal": "sound", "nut_torqued": "yes", "play_found": "run",
    "runout_found": "run",
}  # fmt: skip


def test_a_good_hub_is_let_alone():
    answers = {**GOOD, "replace": "no"}
    assert [step.id for step in open_steps(PATH, answers) if not step.optional] == ["released"]


def test_no_groove_check_when_the_flange_stays_on():
    on = {**GOOD, "replace": "yes", "flange_off": "no"}
    assert "groove" not in [step.id for step in open_steps(PATH, on)]
    assert "groove" in [step.id for step in open_steps(PATH, {**on, "flange_off": "yes"})]


@pytest.mark.parametrize(
    ("step", "answer", "says"),
    [
        ("nut_torqued", "no", "not at its torque"),
        ("encoder_side", "away from the sensor", "turn the bearing round"),
        ("nut", "old, one-use", "fit a new one"),
        ("torque_tool", "Impact Wrench", "impact wrench"),
        ("retaining_ring", "old", "fit a new one"),
        ("pressed_in", "on the inner race", "not to be used"),
    ],
)
def test_a_wrong_step_is_kept_and_stays_open(step, answer, says):
    got = read_answer(find_step(PATH, step), answer)
    assert says in got.problem
    answers = {**GOOD, "replace": "yes", step: got.text}
    assert step in [left.id for left in open_steps(PATH, answers)]


def test_torque_is_kept_in_newton_metres():
    assert float(read_answer(find_step(PATH, "torque"), "133 lbf ft").number) == pytest.approx(
        180.32, abs=0.01
    )


@pytest.mark.parametrize(
    ("step", "answer"),
    [
        ("turning", "wobbly"),
        ("seal", ""),
        ("torque", "180"),
        ("torque", "180 mm"),
        ("vehicle_secured", "maybe"),
    ],
)
def test_what_is_no_answer_is_refused_in_one_line(step, answer):
    with pytest.raises(InputError) as caught:
        read_answer(find_step(PATH, step), answer)
    assert step in caught.value.line()
    assert "\n" not in caught.value.line()


STEP = '[[step]]\nid = "a"\nstage = "s"\ndo = "d"\nrecords = "yes/no"\n'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "holds no step"),
        (STEP + STEP, "line 6: step 'a' is there twice"),
        (STEP + 'colour = "red"', "unknown key 'colour'"),
        (STEP.replace("yes/no", "smell"), "unknown kind 'smell'"),
        (STEP.replace("yes/no", "choice"), "needs 'choices'"),
        (STEP + 'when = { b = ["yes"] }', "expected an earlier step"),
        (STEP + 'wrong = { perhaps = "x" }', "'perhaps' is no answer"),
        (STEP + 'uses = { bore = "b" }', "uses 'b'; expected an earlier step"),
        (STEP.replace("yes/no", "number") + 'unit = "furlong"', "unknown unit 'furlong'"),
        (STEP.replace('do = "d"\n', ""), "'do' is missing"),
        ("x = [", "is not TOML"),
    ],
)
def test_a_workshops_file_is_checked(tmp_path, text, says):
    file = tmp_path / "path.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_path(file)
    assert says in caught.value.line()


def test_a_workshop_adds_a_step_without_code(tmp_path):
    file = tmp_path / "path.toml"
    file.write_text(STEP + STEP.replace('"a"', '"p"').replace("yes/no", "photo"), encoding="utf-8")
    steps = load_path(file)
    assert [step.id for step in open_steps(steps, {"a": "yes"})] == ["p"]


@pytest.mark.parametrize(
    ("typed", "celsius"), [("21.5 °C", 21.5), ("21,5 C", 21.5), ("-4 degC", -4.0), ("68 °F", 20.0)]
)
def test_a_temperature_is_kept_in_degrees_celsius(typed, celsius):
    """68 degrees F are 20 degrees C, the reference temperature of ISO 1."""
    assert float(read_answer(find_step(PATH, "ring_temperature"), typed).number) == pytest.approx(celsius)


@pytest.mark.parametrize("typed", ["21.5", "warm °C", "200 °C", "70 K"])
def test_what_is_no_temperature_of_a_workshop_is_refused(typed):
    with pytest.raises(InputError, match="ring_temperature"):
        read_answer(find_step(PATH, "ring_temperature"), typed)


def test_an_answer_changed_since_takes_its_steps_with_it():
    """The flange came off, then the bearing stayed after all: the groove is asked no more."""
    changed = {**GOOD, "replace": "no", "flange_off": "yes"}
    assert "groove" not in [step.id for step in open_steps(PATH, changed)]


@pytest.mark.parametrize(
    ("found", "step"),
    [({"runout_found": "over"}, "flange_not_bent"), ({"groove": "yes"}, "flange_not_grooved")],
)
def test_a_bent_or_grooved_flange_is_asked_for_a_new_one(found, step):
    sound = {**GOOD, "runout_found": "within", "replace": "yes", "flange_off": "yes", "groove": "no"}
    assert step not in [left.id for left in open_steps(PATH, sound)]
    assert step in [left.id for left in open_steps(PATH, {**sound, **found})]
    assert "not used again" in read_answer(find_step(PATH, step), find_step(PATH, step).choices[-1]).problem


def test_a_fit_may_be_missing_but_not_wrong():
    step = find_step(PATH, "pressed_in")
    right = {"bore": "within", "encoder_side": "to the sensor"}
    assert step.missing(right) is None
    assert step.missing({**right, "fit": "within"}) is None
    assert step.missing({**right, "fit": "undecided"}) == "fit"
    assert step.missing(right, wrong={"fit"}) == "fit"


def test_a_step_that_was_nearly_named_is_named():
    with pytest.raises(InputError, match=r"expected nut_torqued.*; see 'hubproof job path'"):
        find_step(PATH, "nut_torqed")
