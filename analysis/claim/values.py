"""What a claim pack is built from: plain frozen values, no database, no clock.

The models here are also the shape of `job.json`, `limits.json` and `instruments.json`. Times are UTC and
written as RFC 3339; a length of an instrument is in nanometres, a trace in micrometres (`analysis.trace`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, AwareDatetime, Field, JsonValue

from analysis.bore import BoreSetup
from analysis.record.words import Stage, Wheel
from analysis.results import EndplayResult, Model, RestResult, RunoutResult
from analysis.results_bore import BoreResult
from analysis.trace import Trace
from analysis.values import Setup
from config.limits import Limit

Language = Literal["en", "de"]
Paper = Literal["a4", "us-letter"]
FirstUnit = Literal["mm", "in"]

ClaimKind = Literal["runout", "endplay", "bore", "rest"]
ClaimResult = RunoutResult | EndplayResult | BoreResult | RestResult

Utc = Annotated[AwareDatetime, AfterValidator(lambda moment: moment.astimezone(UTC))]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Identifier = Annotated[str, Field(min_length=1, max_length=100)]


class Vehicle(Model):
    """The vehicle as the job sheet has it. `plate` is handed over only when asked for."""

    description: str = ""
    make: str = ""
    model: str = ""
    year: int | None = None
    vin: str = ""
    odometer: float | None = None
    odometer_unit: Literal["km", "mi"] = "km"
    plate: str | None = None


class Job(Model):
    """One vehicle's visit. `customer` is handed over only when asked for.

    `changed_utc` is when the last thing was recorded of a job that is not closed. `stopped` is closed
    without the vehicle being released; None is not known.
    """

    id: Identifier
    number: str = ""
    opened_utc: Utc
    changed_utc: Utc | None = None
    closed_utc: Utc | None = None
    state: Literal["open", "released", "stopped"] | None = None
    workshop: str = ""
    technician: str = ""
    vehicle: Vehicle = Vehicle()
    complaint: str = ""
    customer: str | None = None
    note: str = ""

    @property
    def day_utc(self) -> datetime:
        """The moment that dates the pack: when the job was closed, else last changed, else opened."""
        return self.closed_utc or self.changed_utc or self.opened_utc


class Check(Model):
    """The last check of an instrument against a known length, or of its holder; lengths in nm."""

    made_utc: Utc
    what: str
    found_nm: int | None = None
    allowed_nm: int | None = None
    passed: bool


class StudyFacts(Model):
    """The last study of the measuring system with this indicator, by analysis of variance; lengths in mm."""

    id: Identifier
    begun_utc: Utc
    quantity: str
    technicians: int
    parts: int
    trials: int
    method: str
    combined_mm: float
    percent_of_limit: float | None = None
    categories: int | None = None
    fit_for_use: Literal["good", "with care", "not good", "cannot be told"]


class Instrument(Model):
    """An indicator as it was when it measured. None or empty: not known, and shown as that."""

    id: Identifier
    name: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    resolution_nm: int | None = None
    permissible_error_nm: int | None = None
    range_nm: int | None = None
    calibrated_on: date | None = None
    calibration_due: date | None = None
    certificate: str = ""
    last_check: Check | None = None
    study: StudyFacts | None = None


class RunHeader(Model):
    """What is known of a run besides its readings and its result.

    `thrown_away` is why the technician threw the run away; it is shown and does not count.
    """

    id: Identifier
    kind: ClaimKind
    started_utc: Utc
    wheel: Wheel | None = None
    stage: Stage | None = None
    technician: str = ""
    instrument: Identifier | None = None
    second: str | None = None
    setup: Setup = Setup()
    bore: BoreSetup | None = None
    thrown_away: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class ClaimRun:
    """One run: its header, every reading, the limit it was judged against, and what was found."""

    header: RunHeader
    trace: Trace
    result: ClaimResult
    limit: Limit | None = None


class Step(Model):
    """One step of the job as it was recorded: when, and by whom.

    Attributes:
        step: name of the step in the workshop's path.
        what: what was to be done or looked at.
        value: the answer, of a measurement its verdict; of a skipped step why it was skipped.
        skipped: it was not done.
        problem: why the job could not go on with this answer; a later entry of the step puts it right.
        run: id of the measurement.
        figures: what was worked out: a fit of ring and bore, the bolt position of a disc.
    """

    at_utc: Utc
    wheel: Wheel | None = None
    step: str = ""
    what: str
    value: str = ""
    by: str = ""
    skipped: bool = False
    problem: str = ""
    run: Identifier | None = None
    figures: dict[str, JsonValue] = Field(default_factory=dict)
    note: str = ""


class WheelFacts(Model):
    """What was written down of a wheel end: parts and lots found and fitted, torque, limits, their source."""

    wheel: Wheel
    bearing: str = ""
    encoder: str = ""
    old_part: str = ""
    old_lot: str = ""
    new_part: str = ""
    new_lot: str = ""
    torque_n_m: float | None = None
    limits: dict[str, str] = Field(default_factory=dict)
    sizes: dict[str, str] = Field(default_factory=dict)
    source: str = ""


class RecordLink(Model):
    """The end of the station's hash chain when the pack was made (see `analysis.record.chain`).

    A record that was rewritten later, links and all, no longer holds this link. A pack carries it blinded by
    a secret of the station (`SigningKey.blinded`): the chain also goes over customer and plate, which do not
    leave the workshop, and whoever has the rest could try out plates on a bare link. Packs of form 1 have it
    bare.
    """

    last_link_sha256: Sha256 | None = None
    last_link_blinded: Sha256 | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A picture of the job; its metadata is taken off before it is handed over."""

    taken_utc: datetime | None
    caption: str
    content: bytes = field(repr=False)


class Form(Model):
    """How the report is written: language, paper, and the unit that comes first."""

    language: Language = "en"
    paper: Paper = "a4"
    first_unit: FirstUnit = "mm"


USUAL_FORM = Form()


@dataclass(frozen=True, slots=True, eq=False)
class ClaimInput:
    """Everything that a claim pack says. The same value and key give the same bytes."""

    job: Job
    runs: tuple[ClaimRun, ...]
    instruments: tuple[Instrument, ...] = ()
    steps: tuple[Step, ...] = ()
    photos: tuple[Photo, ...] = ()
    form: Form = USUAL_FORM
    wheels: tuple[WheelFacts, ...] = ()
    record: RecordLink | None = None
