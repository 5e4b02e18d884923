"""What a claim pack is built from: plain frozen values, no database, no clock.

The models here are also the shape of `job.json`, `limits.json` and `instruments.json`. Times are UTC and
written as RFC 3339; a length of an instrument is in nanometres, a trace in micrometres (`analysis.trace`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, AwareDatetime, Field

from analysis.record.words import Stage, Wheel
from analysis.results import EndplayResult, Model, RestResult, RunoutResult
from analysis.trace import Trace
from analysis.values import Setup
from config.limits import Limit

Language = Literal["en", "de"]
Paper = Literal["a4", "us-letter"]
FirstUnit = Literal["mm", "in"]

Utc = Annotated[AwareDatetime, AfterValidator(lambda moment: moment.astimezone(UTC))]
Identifier = Annotated[str, Field(min_length=1, max_length=100)]


class Vehicle(Model):
    """The vehicle as the job sheet has it. `plate` is handed over only when asked for."""

    make: str = ""
    model: str = ""
    year: int | None = None
    vin: str = ""
    odometer: float | None = None
    odometer_unit: Literal["km", "mi"] = "km"
    plate: str | None = None


class Job(Model):
    """One vehicle's visit. `customer` is handed over only when asked for."""

    id: Identifier
    number: str = ""
    opened_utc: Utc
    closed_utc: Utc | None = None
    workshop: str = ""
    technician: str = ""
    vehicle: Vehicle = Vehicle()
    complaint: str = ""
    customer: str | None = None
    note: str = ""

    @property
    def day_utc(self) -> datetime:
        """The moment that dates the pack: when the job was closed, else when it was opened."""
        return self.closed_utc or self.opened_utc


class Check(Model):
    """The last check of an instrument against a known length, or of its holder; lengths in nm."""

    made_utc: Utc
    what: str
    found_nm: int | None = None
    allowed_nm: int | None = None
    passed: bool


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


class RunHeader(Model):
    """What is known of a run besides its readings and its result."""

    id: Identifier
    kind: Literal["runout", "endplay", "rest"]
    started_utc: Utc
    wheel: Wheel | None = None
    stage: Stage | None = None
    technician: str = ""
    instrument: Identifier | None = None
    second: str | None = None
    setup: Setup = Setup()
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class ClaimRun:
    """One run: its header, every reading, the limit it was judged against, and what was found."""

    header: RunHeader
    trace: Trace
    result: RunoutResult | EndplayResult | RestResult
    limit: Limit | None = None


class Step(Model):
    """One step of the repair, when it was confirmed and by whom."""

    at_utc: Utc
    wheel: Wheel | None = None
    what: str
    value: str = ""
    by: str = ""
    note: str = ""


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
