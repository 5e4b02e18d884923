"""The frozen values that pass from one step of the analysis to the next.

Everything here is in micrometres, degrees and seconds; `analysis.results` turns it into what is told.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from analysis.results import FoundBy
from analysis.trace import BoolArray, FloatArray, Trace

Evaluation = Literal["A", "B"]
Distribution = Literal["normal", "rectangular"]
Surface = Literal["face", "radial"]


@dataclass(frozen=True, slots=True)
class Note:
    """A reason on its way to the result: a stable code and one sentence."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Setup:
    """What is known of the instrument and how it stands; every field may be left at "not known".

    Attributes:
        permissible_error_um: largest error the indicator may show over its range (as a half-width).
        permissible_local_error_um: the same over a short travel of a few tenths of a millimetre, where
            the maker gives it.
        plunger_angle_deg: known angle between plunger and motion (readings are d/cos for a plunger);
            0 when square.
        plunger_angle_standard_deg: how well "square" is known, as a standard uncertainty; by eye within 2
            degrees either way (common practice, no published source) is 2/sqrt(3), rounded up.
        temperature_drift_um: half-width of what warming can do during the run.
        studs: stud count of the flange, for naming an order; None when not known.
        asked_turns: turns that the technician was asked for, a weak prior only.
        surface: a face (axial run-out) or a diameter (radial, pilot).
        probe_radius_mm: radius on the flange at which the plunger stands.
        freshly_fitted: a new bearing was just fitted (adds the hub nut to what end play points to).
        holder_moved: what the rest check said, None when there was none.
        range_um: lowest and highest reading that the plunger allows, in the indicator's own zero; None when
            not known (the rest check then says nothing of the plunger's ends).
    """

    permissible_error_um: float | None = None
    permissible_local_error_um: float | None = None
    plunger_angle_deg: float = 0.0
    plunger_angle_standard_deg: float = 1.2
    temperature_drift_um: float = 0.0
    studs: int | None = None
    asked_turns: float | None = None
    surface: Surface = "face"
    probe_radius_mm: float | None = None
    freshly_fitted: bool = False
    holder_moved: bool | None = None
    range_um: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Cleaned:
    """A trace with what is wrong set aside or corrected, and each of these said.

    Attributes:
        trace: the readings kept, corrected; same order.
        kept: (n of the raw trace,) true where the reading is used.
        notes: what was found and done.
        refused: true when the trace must not be judged.
        noise_um: standard deviation of one reading's noise, never below resolution/sqrt(12).
        resolution_um: the step that the readings really come in, or the stated one.
        corrected_um: (len(trace),) what was taken off each kept reading (slip, re-zero …), zeros mostly.
        correction_standard_um: standard uncertainty that the corrections leave in a difference of two
            readings; 0 when nothing was corrected.
    """

    trace: Trace
    kept: BoolArray
    notes: tuple[Note, ...]
    refused: bool
    noise_um: float
    resolution_um: float
    corrected_um: FloatArray
    correction_standard_um: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Turns:
    """Where the hub stood at each reading, and how sure that is.

    Attributes:
        total: turns from first to last motion; None when it cannot be told.
        complete: whole turns in it.
        found_by: which way to the angle was used.
        starts_s: beginnings of the whole turns, then the end of the last; complete + 1 values or none.
        confidence: probability that `total` is right within a quarter turn.
        alternatives: other totals that the readings allow.
        angle_deg: (n,) hub angle of each reading, cumulative over turns (not wrapped), NaN where idle
            or unknown; from the index mark where one is known, else from the start of the first whole
            turn. None when no angle could be had.
        angle_standard_deg: standard uncertainty of an angle between two readings of a turn.
        speed_pattern_deg: standard uncertainty from a speed pattern that repeats every turn, which the
            trace alone cannot tell from the profile; 0 when the angle was measured.
        at_least_once: the hub has certainly gone round once or more.
        mark_standard_deg: standard uncertainty of where the index mark is, in the angle, where it was tapped.
        order_standards_um: standard uncertainties of the amplitudes of orders 1, 2 … with what is not known
            of the angle, where a second indicator on the same face told the speed; else empty.
    """

    total: float | None
    complete: int
    found_by: FoundBy
    starts_s: FloatArray
    confidence: float
    alternatives: tuple[float, ...] = ()
    angle_deg: FloatArray | None = None
    angle_standard_deg: float = 0.0
    speed_pattern_deg: float = 0.0
    at_least_once: bool = False
    notes: tuple[Note, ...] = ()
    mark_standard_deg: float = 0.0
    order_standards_um: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Component:
    """One source of uncertainty of the judged figure (JCGM 100).

    Attributes:
        source: what it comes from, in plain words.
        standard_um: standard uncertainty in the judged figure (already times its sensitivity).
        evaluation: "A" from the readings' own scatter, "B" from anything else.
        degrees_of_freedom: infinity for a well-known B.
        distribution: rectangular for a value known only to lie between two ends.
    """

    source: str
    standard_um: float
    evaluation: Evaluation
    degrees_of_freedom: float = float("inf")
    distribution: Distribution = "normal"


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Combined and expanded uncertainty with the budget it came from."""

    standard_um: float
    coverage_factor: float
    expanded_um: float
    degrees_of_freedom: float
    budget: tuple[Component, ...] = field(default=())
