"""The path of a job: its steps as a file describes them, which is next, and what an answer means.

A step is asked when the answers it depends on are there and hold. An answer that the file calls wrong is
kept but leaves the step open, so that a job cannot be released over it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from difflib import get_close_matches
from pathlib import Path as FilePath
from typing import Any, Literal, get_args

from config.errors import InputError
from config.lengths import parse_quantity
from config.settings import line_of, read_toml
from config.sizes import with_spread
from config.torque import parse_torque_n_m

Records = Literal["yes/no", "choice", "number", "run", "photo", "text", "fit", "clocking"]
RunWanted = Literal["rest", "endplay", "runout", "bore"]
RUN_ANSWERS = ("within", "over", "undecided", "not measurable", "measured")
FIT_ANSWERS = ("within", "over", "undecided")
CLOCKING_ANSWERS = ("turn the disc", "leave it")
NOT_RECORDED = "not recorded"  # among the answers a step needs: it may be missing, but not be wrong
UNITS = ("N m", "mm", "um", "in", "kN", "°C")
CELSIUS, FAHRENHEIT = ("°C", "degC", "C"), ("°F", "degF", "F")
_KEYS = {
    "id", "stage", "do", "caution", "records", "choices", "unit", "run", "when", "needs", "wrong", "uses",
    "limit", "optional",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Attributes:
        id: name of the step in answers and conditions.
        stage: heading it stands under.
        do: what to do, one sentence.
        caution: the caution that belongs to it; empty when there is none.
        records: what is recorded.
        choices: the answers allowed, of a choice.
        unit: unit of a number.
        run: kind of measurement.
        when: step -> answers under which this one is asked.
        needs: step -> answers without which this one cannot be recorded.
        wrong: answer -> why the job cannot go on with it.
        uses: what it is worked out from -> the earlier step that records it.
        limit: name of the limit of a run on the job's sheet, where it is not that of the quantity.
        optional: the vehicle may be released without it.

    The answer of a run is its verdict, or ``measured`` when nothing was judged. A fit or a clocking is worked
    out from what earlier steps recorded: nobody types its answer.
    """

    id: str
    stage: str
    do: str
    records: Records
    caution: str = ""
    choices: tuple[str, ...] = ()
    unit: str | None = None
    run: RunWanted | None = None
    when: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    needs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    wrong: Mapping[str, str] = field(default_factory=dict)
    uses: Mapping[str, str] = field(default_factory=dict)
    limit: str | None = None
    optional: bool = False

    @property
    def is_found_out(self) -> bool:
        """The answer comes from a measurement or a calculation, not from what is typed."""
        return self.records in ("run", "fit", "clocking")

    @property
    def allowed(self) -> tuple[str, ...]:
        """The answers that can occur; empty when any text or number can."""
        found = {"run": RUN_ANSWERS, "fit": FIT_ANSWERS, "clocking": CLOCKING_ANSWERS}.get(self.records)
        if found is not None:
            return found
        return ("yes", "no") if self.records == "yes/no" else self.choices

    def missing(
        self, answers: Mapping[str, str], skipped: Sequence[str] = (), wrong: Collection[str] = ()
    ) -> str | None:
        """The step that has to be answered rightly before this one is recorded; None when none.

        Args:
            answers: the right answers, by step.
            skipped: steps skipped.
            wrong: steps whose answer stops the job.
        """
        for step, allowed in self.needs.items():
            given = answers.get(step, None if step in wrong else NOT_RECORDED)
            right = step in answers if not allowed else given in allowed
            if not right and step not in skipped:
                return step
        return None

    def asked(self, answers: Mapping[str, str]) -> bool:
        """Whether the step is asked after these answers (step -> answer)."""
        return all(answers.get(step) in allowed for step, allowed in self.when.items())


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer as kept: `text`, the value in the step's unit for a number, and why it stops the job."""

    text: str
    number: Decimal | None = None
    problem: str | None = None


def load_path(path: FilePath | None = None) -> tuple[Step, ...]:
    """The steps of the workshop's file, or the shipped ones, in order.

    Raises:
        InputError: names file, line and key.
    """
    where, text, content = read_toml(path, "path.toml")
    entries = content.get("step", [])
    if not isinstance(entries, list) or not entries:
        raise InputError("holds no step", where=where, expected="one [[step]] table or more")
    steps: list[Step] = []
    for index, entry in enumerate(entries):
        line = line_of(text, "step", index)
        place = f"{where}, line {line}" if line else where
        steps.append(_step(entry, place, {step.id: step for step in steps}))
    return tuple(steps)


def _step(entry: Mapping[str, Any], where: str, before: Mapping[str, Step]) -> Step:
    unknown = set(entry) - _KEYS
    if unknown:
        raise InputError(f"unknown key {min(unknown)!r}", where=where, expected=", ".join(sorted(_KEYS)))
    for key in ("id", "stage", "do", "records"):
        if not isinstance(entry.get(key), str) or not entry[key].strip():
            raise InputError(f"{key!r} is missing or not text", where=where)
    if entry["id"] in before:
        raise InputError(f"step {entry['id']!r} is there twice", where=where)
    records = entry["records"]
    if records not in get_args(Records):
        raise InputError(f"unknown kind {records!r}", where=where, expected=", ".join(get_args(Records)))
    needs = {"choice": "choices", "number": "unit", "run": "run"}.get(records)
    if needs and not entry.get(needs):
        raise InputError(f"a {records} needs {needs!r}", where=where)
    if records == "number" and entry["unit"] not in UNITS:
        raise InputError(f"unknown unit {entry['unit']!r}", where=where, expected=", ".join(UNITS))
    if records == "run" and entry["run"] not in get_args(RunWanted):
        raise InputError(
            f"unknown run {entry['run']!r}", where=where, expected=", ".join(get_args(RunWanted))
        )
    step = Step(
        id=entry["id"],
        stage=entry["stage"],
        do=entry["do"],
        records=records,
        caution=entry.get("caution", ""),
        choices=tuple(entry.get("choices", ())),
        unit=entry.get("unit"),
        run=entry.get("run"),
        when={name: tuple(allowed) for name, allowed in entry.get("when", {}).items()},
        needs={name: tuple(allowed) for name, allowed in entry.get("needs", {}).items()},
        wrong=dict(entry.get("wrong", {})),
        uses=dict(entry.get("uses", {})),
        limit=entry.get("limit"),
        optional=entry.get("optional", False) is True,
    )
    _check_links(step, where, before)
    return step


def _check_links(step: Step, where: str, before: Mapping[str, Step]) -> None:
    """Conditions point to earlier steps and to answers that these allow; so do the wrong answers."""
    for name in step.uses.values():
        if name not in before:
            raise InputError(f"step {step.id!r} uses {name!r}", where=where, expected="an earlier step")
    for name, answers in [*step.when.items(), *step.needs.items(), (step.id, tuple(step.wrong))]:
        source = step if name == step.id else before.get(name)
        if source is None:
            raise InputError(f"step {step.id!r} depends on {name!r}", where=where, expected="an earlier step")
        for answer in answers:
            if source.allowed and answer not in (*source.allowed, NOT_RECORDED):
                raise InputError(
                    f"{answer!r} is no answer of step {name!r}",
                    where=where,
                    expected=", ".join(source.allowed),
                )


def find_step(steps: Sequence[Step], name: str) -> Step:
    """The step of that name.

    Raises:
        InputError: no such step.
    """
    for step in steps:
        if step.id == name:
            return step
    known = [step.id for step in steps]
    expected = ", ".join(get_close_matches(name, known) or known)
    raise InputError(f"unknown step {name!r}", expected=expected, do="see 'hubproof job path'")


def open_steps(
    steps: Sequence[Step], answers: Mapping[str, str], skipped: Sequence[str] = ()
) -> tuple[Step, ...]:
    """The steps that are asked and not yet answered rightly or skipped, in order; the first is next."""
    standing = standing_answers(steps, answers)
    left = []
    for step in steps:
        answer = standing.get(step.id)
        done = step.id in skipped or (answer is not None and answer not in step.wrong)
        if step.asked(standing) and not done:
            left.append(step)
    return tuple(left)


def standing_answers(steps: Sequence[Step], answers: Mapping[str, str]) -> dict[str, str]:
    """The answers to steps that are still asked: an earlier answer may have been changed since."""
    standing: dict[str, str] = {}
    for step in steps:
        if step.id in answers and step.asked(standing):
            standing[step.id] = answers[step.id]
    return standing


def read_answer(step: Step, text: str) -> Answer:
    """What was typed for a step, checked; a wrong answer is kept with its problem, not refused.

    Raises:
        InputError: not an answer to this step: not among the choices, no unit, no such photo.
    """
    typed = " ".join(text.split()) if step.records != "photo" else text
    where = f"step {step.id!r}"
    if not typed:
        raise InputError("the answer is empty", where=where)
    if step.records in ("yes/no", "choice"):
        found = next((choice for choice in step.allowed if choice.lower() == typed.lower()), None)
        if found is None:
            raise InputError(f"{text!r} is no answer", where=where, expected=", ".join(step.allowed))
        return Answer(found, problem=step.wrong.get(found))
    if step.records == "number":
        assert step.unit is not None
        if step.unit == "N m":
            return Answer(typed, parse_torque_n_m(typed, where=where))
        if step.unit in CELSIUS:
            return Answer(typed, parse_celsius(typed, where=where))
        if step.unit == "mm":  # a certificate gives a size with its spread: '74.002 mm +- 0.001 mm'
            return Answer(typed, Decimal(str(with_spread(typed, where=where)[0])))
        return Answer(typed, parse_quantity(typed, step.unit, where=where))
    return Answer(typed)


def parse_celsius(text: str, *, where: str) -> Decimal:
    """Degrees Celsius of a typed temperature such as ``21.5 °C``, ``21,5 C`` or ``70 °F``.

    Raises:
        InputError: no number, no unit, or a temperature that no workshop has.
    """
    plain = text.strip().replace(",", ".")
    expected = "a temperature of -30 to 80 °C, such as '21.5 °C'"
    scale = next((unit for unit in (*CELSIUS, *FAHRENHEIT) if plain.endswith(unit)), None)
    try:
        number = Decimal(plain.removesuffix(scale or ""))
    except InvalidOperation as error:
        raise InputError(f"{text!r} is not a temperature", where=where, expected=expected) from error
    if scale is None:
        raise InputError(f"{text!r} has no unit", where=where, expected=expected)
    celsius = (number - 32) * 5 / 9 if scale in FAHRENHEIT else number
    if not (celsius.is_finite() and -30 <= celsius <= 80):
        raise InputError(f"{text!r} is not a temperature of a workshop", where=where, expected=expected)
    return celsius
