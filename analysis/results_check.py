"""What a check of an indicator says: the shape of what is stored, printed and shown. mm, s, Hz."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from analysis.results import Model, Reason, UncertaintyOut, Verdict

Direction = Literal["up", "down"]


class Pace(Model):
    """How the readings come. A figure is None when the readings keep no even pace."""

    rate_hz: float | None
    described_hz: float | None = None
    jitter_ms: float | None = Field(description="standard deviation of the delay above the least one")
    worst_delay_ms: float | None = Field(description="largest delay above the least one")
    longest_interval_ms: float | None
    missing: int | None = Field(description="readings that should have come and never did")


class AtRest(Model):
    """The untouched indicator."""

    duration_s: float
    readings: Annotated[int, Field(ge=0)]
    flagged: Annotated[int, Field(ge=0)] = 0
    unreadable: Annotated[int, Field(ge=0)] = 0
    noise_mm: float | None = Field(description="standard deviation of one reading")
    spread_mm: float | None = Field(description="largest minus smallest reading")
    step_mm: float | None = Field(description="the step in which the values of the whole check really come")
    lowest_mm: float | None
    highest_mm: float | None


class BlockPoint(Model):
    """One gauge block: what it is, what was read, and the deviation against the first block."""

    nominal_mm: float
    direction: Direction
    reading_mm: float
    scatter_mm: float
    readings: int
    deviation_mm: float


class AgainstBlocks(Model):
    """Known lengths under the plunger; deviations refer to the first block, at which they are zero."""

    points: tuple[BlockPoint, ...]
    worst_mm: float = Field(description="largest deviation, signless")
    worst_at_mm: float
    hysteresis_mm: float | None = Field(description="largest difference between up and down at one block")
    uncertainty_mm: UncertaintyOut
    permissible_error_mm: float
    verdict: Verdict
    conformity_probability: float | None


class IndicatorCheck(Model):
    """The check of one indicator. `passed` is False when something speaks against using it."""

    kind: Literal["check"] = "check"
    indicator: str
    serial_number: str = ""
    pace: Pace
    at_rest: AtRest
    travel_mm: float | None = Field(default=None, description="way of the plunger from end to end")
    blocks: AgainstBlocks | None = None
    passed: bool
    reasons: tuple[Reason, ...] = ()
