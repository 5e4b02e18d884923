"""A job as it is told, by the commands' ``--json`` and by the daemon alike. Lengths in mm, times in UTC."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from analysis.record.words import Wheel
from analysis.results import Verdict
from capture.messages import Message

StepStateWord = Literal["open", "done", "skipped", "wrong", "not asked"]
Name = Annotated[str, Field(max_length=200)]


class PhotoOut(Message):
    """A photo kept with an entry; its file is at ``/photos/{sha256}``."""

    id: str
    name: str
    media_type: str
    sha256: str
    size: int


class EntryOut(Message):
    """One thing recorded. `figures` are those of a fit or of a disc's clocking, by what they are."""

    id: str
    place: int
    step: str
    what: Literal["answer", "skip"]
    answer: str
    number: float | None
    run: str | None
    problem: str | None
    technician: str
    at_utc: str
    photos: tuple[PhotoOut, ...] = ()
    figures: dict[str, dict[str, Any]] = Field(default_factory=dict)


class StepOut(Message):
    """One step of the path: what to do, the caution that belongs to it, what is recorded.

    `answers` are those allowed, empty when any text or number is. `found_out`: the answer comes from a
    measurement or a calculation.
    """

    step: str
    stage: str
    do: str
    caution: str
    records: str
    answers: tuple[str, ...]
    unit: str | None
    run: str | None
    optional: bool
    found_out: bool


class StepState(StepOut):
    """A step in a job. `after` names the step that has to be recorded rightly before this one."""

    state: StepStateWord
    after: str | None = None
    problem: str | None = None


class FigureOut(Message):
    """A judged figure with its expanded uncertainty (about 95 %) and its limit."""

    value_mm: float | None
    expanded_mm: float | None
    limit_mm: float | None
    limit_source: str | None
    verdict: Verdict | None


class ChangeOut(Message):
    """What the repair changed; positive is better."""

    better_by_mm: float
    expanded_mm: float
    direction: str
    text: str


class BeforeAfter(Message):
    """One quantity of a wheel end, as found and after the repair."""

    quantity: str
    before: FigureOut | None
    after: FigureOut | None
    change: ChangeOut | None


class DecisionOut(Message):
    """What to do with one part, why, what would change it, and what to measure next."""

    wheel: Wheel
    part: str
    action: Literal["keep", "replace", "put right", "undecided"]
    reasons: tuple[str, ...]
    would_change: str
    next_measurement: str | None = None


class WheelOut(Message):
    """One wheel end: its sheet, everything recorded in order, and where it stands on the path.

    `parts` are old and new part and lot numbers, as read at the bearing, else as known at arrival.
    """

    wheel: Wheel
    bearing: str
    encoder: str
    old_part: str
    old_lot: str
    new_part: str
    new_lot: str
    torque_n_m: float | None
    limits: dict[str, str]
    source: str
    sizes: dict[str, str]
    parts: dict[str, str]
    entries: tuple[EntryOut, ...]
    problems: tuple[str, ...]
    steps: tuple[StepState, ...]
    next: tuple[StepState, ...]
    before_after: tuple[BeforeAfter, ...]
    decisions: tuple[DecisionOut, ...]
    fit: dict[str, Any] | None = None
    clocking: dict[str, Any] | None = None


class JobView(Message):
    """A job as a whole."""

    id: str
    state: Literal["open", "released", "stopped"]
    opened_utc: str
    closed_utc: str | None
    technician: str
    vehicle: str
    vin: str | None
    odometer_km: float | None
    complaint: str
    customer: str
    plate: str
    wheels: tuple[WheelOut, ...]


class JobLine(Message):
    """One wheel end of a job in a list."""

    id: str
    opened_utc: str
    closed_utc: str | None
    vin: str | None
    vehicle: str
    odometer_km: float | None
    technician: str
    wheel: Wheel
    new_part: str
    new_lot: str
    old_part: str
    old_lot: str
    bearing: str
    complaint: str


class WheelIn(Message):
    """A wheel end as typed at arrival; lengths and torque with their units."""

    wheel: Name
    bearing: Literal["ball", "tapered", "not known"] = "not known"
    encoder: Literal["inner side", "outer side", "none", "not known"] = "not known"
    old_part: Name = ""
    old_lot: Name = ""
    new_part: Name = ""
    new_lot: Name = ""
    torque: Name = ""
    limits: dict[str, Name] = Field(default_factory=dict, max_length=10)
    source: Name = ""
    sizes: dict[str, Name] = Field(default_factory=dict, max_length=20)


class JobIn(Message):
    """A job as typed at arrival."""

    technician: Name
    vehicle: Name = ""
    vin: Name = ""
    odometer: Name = ""
    complaint: Annotated[str, Field(max_length=2_000)] = ""
    customer: Name = ""
    plate: Name = ""
    wheels: Annotated[tuple[WheelIn, ...], Field(min_length=1, max_length=4)]


class JobOpened(Message):
    """The new job, and what to look at again."""

    job: JobView
    warnings: tuple[str, ...] = ()


class StepIn(Message):
    """An answer to a step, or the run that was measured for it; neither for a fit or a clocking."""

    technician: Name
    wheel: Name | None = None
    answer: Annotated[str, Field(max_length=2_000)] | None = None
    run: Name | None = None


class SkipIn(Message):
    """Why a step is skipped, or a job is stopped."""

    technician: Name
    wheel: Name | None = None
    reason: Annotated[str, Field(max_length=2_000)]


class StepTaken(Message):
    """What was recorded. `problem` stops the job until it is put right; `notice` is good to know."""

    step: str
    answer: str
    problem: str | None
    notice: str | None
    job: JobView


class PartLine(Message):
    """A part and lot: wheel ends, and the share of them with a run after repair over."""

    part: str
    lot: str
    wheel_ends: int
    share_over: float


class Comeback(Message):
    """A wheel end that came again: the job before and the one after, and the distance between."""

    vin: str
    wheel: Wheel
    before: str
    after: str
    distance_km: float
    part: str
    lot: str


class DueLine(Message):
    """An indicator whose calibration is due."""

    indicator: str
    serial_number: str
    due: str


class History(Message):
    """What many jobs say together."""

    within_km: float
    parts: tuple[PartLine, ...]
    comebacks: tuple[Comeback, ...]
    calibrations_due: tuple[DueLine, ...]
