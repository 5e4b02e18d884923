"""A job as the record gives it: sheets, entries with what is attached to them, wheel ends. Frozen values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from analysis.record.words import Wheel
from config.errors import InputError
from config.path import Step, open_steps, standing_answers

Attached = Literal["photo", "fit", "clocking"]


@dataclass(frozen=True, slots=True)
class JobSheet:
    """What is written down when the vehicle arrives; `customer` and `plate` are personal data, or empty."""

    technician: str
    vehicle: str = ""
    vin: str | None = None
    odometer_km: float | None = None
    complaint: str = ""
    customer: str = ""
    plate: str = ""


@dataclass(frozen=True, slots=True)
class WheelSheet:
    """One wheel end of a job.

    Attributes:
        wheel: its position.
        bearing: ball, tapered or not known.
        encoder: side of the encoder ring, none or not known.
        old_part, old_lot: of the bearing found, as known at arrival.
        new_part, new_lot: of the bearing to fit, as known at arrival.
        torque_n_m: hub nut torque of the vehicle maker.
        limits: lengths as typed, by quantity.
        source: who gives torque and limits.
        sizes: what bore, fit and disc are worked out with, as typed (see `config.seat`).
    """

    wheel: Wheel
    bearing: str = "not known"
    encoder: str = "not known"
    old_part: str = ""
    old_lot: str = ""
    new_part: str = ""
    new_lot: str = ""
    torque_n_m: float | None = None
    limits: Mapping[str, str] = field(default_factory=dict)
    source: str = ""
    sizes: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Attachment:
    """Something kept with an entry.

    Attributes:
        id: name everywhere (UUIDv7).
        what: a photo, or the figures of a fit or of a disc's clocking.
        name: the file's name as given; empty for figures.
        media_type: of a photo, such as ``image/jpeg``.
        sha256: of the photo's bytes as they came, hexadecimal; None for figures.
        size: bytes of the photo.
        content: the figures; empty for a photo.
    """

    id: str
    what: Attached
    name: str = ""
    media_type: str = ""
    sha256: str | None = None
    size: int | None = None
    content: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing recorded. `place` is its place among those of the wheel end: the highest of a step counts."""

    id: str
    place: int
    step: str
    what: str
    answer: str
    number: float | None
    run: str | None
    problem: str | None
    technician: str
    at_utc: str
    attached: tuple[Attachment, ...] = ()


# Steps whose answer is a part or lot number: it takes the place of what the sheet said at arrival.
PART_STEPS = ("old_part", "old_lot", "new_part", "new_lot")


@dataclass(frozen=True, slots=True)
class WheelEnd:
    """A wheel end and all that was recorded of it, in order."""

    sheet: WheelSheet
    entries: tuple[Entry, ...]

    @property
    def latest(self) -> dict[str, Entry]:
        """The entry that counts, by step."""
        return {entry.step: entry for entry in self.entries}

    @property
    def answers(self) -> dict[str, str]:
        """The answers, wrong ones included, by step."""
        return {step: entry.answer for step, entry in self.latest.items() if entry.what == "answer"}

    @property
    def right_answers(self) -> dict[str, str]:
        """The answers without a problem, by step."""
        return {step: answer for step, answer in self.answers.items() if not self.latest[step].problem}

    @property
    def skipped(self) -> tuple[str, ...]:
        """Steps skipped."""
        return tuple(step for step, entry in self.latest.items() if entry.what == "skip")

    @property
    def problems(self) -> tuple[str, ...]:
        """What keeps the job from going on."""
        return tuple(entry.problem for entry in self.latest.values() if entry.problem)

    @property
    def parts(self) -> dict[str, str]:
        """Part and lot numbers, old and new: as read at the bearing, else as known at arrival."""
        answers = self.answers
        return {name: answers.get(name) or getattr(self.sheet, name) for name in PART_STEPS}

    @property
    def photos(self) -> tuple[tuple[Entry, Attachment], ...]:
        """Every photo with its entry, in order; those of entries that no longer count too."""
        return tuple((e, a) for e in self.entries for a in e.attached if a.what == "photo")

    def figures(self, what: Attached) -> Mapping[str, Any] | None:
        """The latest figures of that kind; None without any."""
        found = [a.content for e in self.latest.values() for a in e.attached if a.what == what]
        return found[-1] if found else None

    def to_do(self, steps: Sequence[Step]) -> tuple[Step, ...]:
        """Steps asked and not done, the first is next; a step with a problem is not done."""
        standing = standing_answers(steps, self.answers)
        left = {step.id for step in open_steps(steps, self.answers, self.skipped)}
        wrong = {step for step, entry in self.latest.items() if entry.problem}
        return tuple(s for s in steps if s.id in left or (s.asked(standing) and s.id in wrong))

    def must_do(self, steps: Sequence[Step]) -> tuple[Step, ...]:
        """Of `to_do`, those without which the vehicle is not released."""
        return tuple(s for s in self.to_do(steps) if not s.optional or s.id in self.latest)


@dataclass(frozen=True, slots=True)
class JobRecord:
    """A job with its wheel ends."""

    id: str
    opened_utc: str
    closed_utc: str | None
    sheet: JobSheet
    wheels: tuple[WheelEnd, ...]

    @property
    def state(self) -> Literal["open", "released", "stopped"]:
        """Open, released, or closed without the vehicle being released."""
        if self.closed_utc is None:
            return "open"
        held = any("released" in end.latest and end.latest["released"].problem for end in self.wheels)
        return "stopped" if held else "released"

    def wheel(self, wheel: Wheel | None) -> WheelEnd:
        """The wheel end of that position; None for the only one.

        Raises:
            InputError: no such wheel end in the job, or several and none named.
        """
        known = ", ".join(end.sheet.wheel for end in self.wheels)
        if wheel is None and len(self.wheels) == 1:
            return self.wheels[0]
        for end in self.wheels:
            if end.sheet.wheel == wheel:
                return end
        raise InputError(f"wheel {wheel!r} is not in this job", where="--wheel", expected=known)
