"""What a bore measurement says. Lengths in mm; angles in degrees; deviations count from the setting ring."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from analysis.results import Fraction, Judged, Model, OrderOut, Verdict

BoreMethod = Literal["rocked", "held", "swept", "none"]


class StationOut(Model):
    """One place at which the bore gauge was read: deviation of the diameter there from the setting ring."""

    depth: Annotated[int, Field(ge=1)]
    direction_deg: Annotated[float, Field(ge=0, lt=180)]
    deviation_mm: float
    readings: Annotated[int, Field(ge=1, description="turning points of the rocking, or readings at rest")]
    spread_mm: Annotated[float, Field(ge=0)] | None


class DepthOut(Model):
    """One depth: mean diameter, two-point difference and least-squares out-of-round (radial)."""

    depth: Annotated[int, Field(ge=1)]
    mean_deviation_mm: float
    two_point_difference_mm: Annotated[float, Field(ge=0)] | None
    out_of_round_mm: Annotated[float, Field(ge=0)] | None
    widest_deg: float | None


class BoreResult(Judged):
    """A bore, from a bore gauge at stations or from an indicator swept round it."""

    kind: Literal["bore"] = "bore"
    method: BoreMethod
    value_mm: float | None = Field(description="the figure judged, see judged_as")
    judged_as: str
    places_seen: Annotated[
        int, Field(ge=0, description="places at which the gauge was read, the setting ring among them")
    ] = 0
    stations: tuple[StationOut, ...] = ()
    depths: tuple[DepthOut, ...] = ()
    mean_deviation_mm: float | None = None
    diameter_mm: float | None = Field(default=None, description="mean diameter at 20 degrees C")
    diameter_standard_mm: float | None = None
    size_verdict: Verdict | None = None
    size_conformity_probability: Fraction | None = None
    two_point_difference_mm: float | None = Field(
        default=None, description="largest minus smallest diameter at one depth"
    )
    out_of_round_mm: float | None = Field(
        default=None, description="radial, peak to valley about the least-squares circle (ISO 12181-1)"
    )
    taper_mm: float | None = Field(
        default=None, description="last minus first depth's mean diameter; negative narrows inwards"
    )
    per_turn_orders: tuple[OrderOut, ...] = ()
    eccentricity_mm: float | None = None
    noise_mm: float | None = None
