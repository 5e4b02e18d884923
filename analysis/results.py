"""What a measurement says: the shape of every printed and stored result.

Lengths are in millimetres, angles in degrees, times in seconds. A figure that could not be had is
None, with a reason, never 0. `hubproof schema KIND` prints the JSON Schema of these models.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Verdict = Literal["within", "over", "undecided", "not measurable"]
FoundBy = Literal["marks", "angle", "self", "stops", "none"]
Part = Literal["bearing", "flange", "knuckle", "hub nut", "holder", "none"]

Fraction = Annotated[float, Field(ge=0, le=1)]


class Model(BaseModel):
    """Frozen, no unknown keys, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Reason(Model):
    """Why: a stable code for programs and one sentence for people."""

    code: Annotated[str, Field(pattern=r"^[a-z0-9_]+$")]
    text: str


class PointsTo(Model):
    """A part that the figures point to, and why (one sentence)."""

    part: Part
    why: str


class BudgetLine(Model):
    """One source of uncertainty: standard uncertainty in mm, evaluated from readings (A) or otherwise (B)."""

    source: str
    standard: Annotated[float, Field(ge=0)]
    evaluation: Literal["A", "B"]
    degrees_of_freedom: float | None = None


class UncertaintyOut(Model):
    """Combined standard and expanded (about 95 %) uncertainty in mm, with its budget (JCGM 100)."""

    standard: Annotated[float, Field(ge=0)]
    coverage_factor: Annotated[float, Field(gt=0)]
    expanded: Annotated[float, Field(ge=0)]
    budget: tuple[BudgetLine, ...]
    degrees_of_freedom: float | None = None


class LimitOut(Model):
    """The limit that was applied, in mm, and who gives it."""

    max: float | None = None
    good_up_to: float | None = None
    bad_above: float | None = None
    source: str


class Counts(Model):
    """Readings used and set aside."""

    used: Annotated[int, Field(ge=0)]
    rejected: Annotated[int, Field(ge=0)]


class Judged(Model):
    """What every kind of result ends with."""

    file: str | None = None
    readings: Counts
    resolution_mm: float | None
    uncertainty_mm: UncertaintyOut | None
    limit_mm: LimitOut | None
    verdict: Verdict | None = Field(description="None only when no limit was given")
    conformity_probability: Fraction | None = Field(
        default=None, description="probability that the true value is at or below the limit (JCGM 106)"
    )
    points_to: tuple[PointsTo, ...] = ()
    reasons: tuple[Reason, ...]


class TurnsOut(Model):
    """How far the hub was turned. `starts_s` are the beginnings of the complete turns, then the last end."""

    total: float | None
    complete: Annotated[int, Field(ge=0)]
    found_by: FoundBy
    starts_s: tuple[float, ...]
    confidence: Fraction
    alternatives: tuple[float, ...]


class FimOut(Model):
    """Full indicator movement in mm.

    `as_read` is of the whole trace and `per_turn_as_read` of every whole turn: largest minus smallest reading
    used. `per_turn` has the noise and the steps of the indicator taken out; the largest of it is judged.
    """

    as_read: float | None
    per_turn: tuple[float, ...]
    per_turn_as_read: tuple[float, ...] = ()
    repeatable: float | None


class OrderOut(Model):
    """One harmonic of the turn: half its swing, and the angle of its first maximum (0 to 360/order)."""

    order: Annotated[int, Field(ge=1)]
    amplitude_mm: Annotated[float, Field(ge=0)]
    standard_mm: Annotated[float, Field(ge=0)] | None
    peak_deg: Annotated[float, Field(ge=0, lt=360)]


class RunoutResult(Judged):
    """Run-out of one trace."""

    kind: Literal["runout"] = "runout"
    turns: TurnsOut
    fim_mm: FimOut
    run_out_bound_mm: float | None = Field(
        default=None, description="the run-out is certainly not above this, when it cannot be had itself"
    )
    non_repeatable_mm: float | None
    per_turn_orders: tuple[OrderOut, ...]
    residual_after_order_1_mm: float | None = None
    filtered_mm: dict[str, float] = Field(
        default_factory=dict, description="FIM after the Gaussian roundness filter, by cut-off in UPR"
    )
    eccentricity_mm: float | None = None
    out_of_round_mm: float | None = None
    pilot: RunoutResult | None = Field(
        default=None, description="the second indicator's own result, when it stood on the pilot"
    )
    high_spot_deg: float | None
    drift_mm: float | None
    noise_mm: float | None


class StrokeOut(Model):
    """One push and one pull: the two rest levels and their difference, mm."""

    pushed_mm: float
    pulled_mm: float
    play_mm: float


class EndplayResult(Judged):
    """End play of one trace."""

    kind: Literal["endplay"] = "endplay"
    strokes: tuple[StrokeOut, ...]
    play_mm: float | None
    repeatability_mm: float | None
    zero_return_mm: float | None
    creep_mm: float | None
    noise_mm: float | None


class RestResult(Model):
    """What an untouched indicator said for some seconds: may this set-up be trusted?

    `steady` is None when it could not be told. `holder_moved` tells the findings whether run-out that does
    not repeat may come from the holder.
    """

    kind: Literal["rest"] = "rest"
    file: str | None = None
    steady: bool | None
    holder_moved: bool | None
    duration_s: Annotated[float, Field(ge=0)]
    noise_mm: float | None
    drift_mm_per_min: float | None
    slip_mm: float | None
    readings: Counts
    resolution_mm: float | None
    reasons: tuple[Reason, ...]
