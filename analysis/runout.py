"""Run-out taken apart: what the readings of a turned hub say about its surface.

`take_apart` gets readings with an angle and gives the movement as read, of each whole turn, the part
that repeats every turn (synchronous) and the part that does not (asynchronous), the orders of the turn,
and the parts of the uncertainty budget that belong to run-out.
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.trace import FloatArray
from analysis.values import Component, Note


@dataclass(frozen=True, slots=True)
class Order:
    """One harmonic of the turn.

    Attributes:
        order: undulations per revolution.
        amplitude_um: half the swing of this order.
        standard_um: standard uncertainty of `amplitude_um`, angle uncertainty included.
        peak_deg: angle of the first maximum, 0 to 360/order.
        peak_standard_deg: its standard uncertainty; 360/order when the order is lost in the noise.
    """

    order: int
    amplitude_um: float
    standard_um: float
    peak_deg: float
    peak_standard_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class Profiles:
    """The surface on a fixed angle grid, for plots and the store.

    Attributes:
        angle_deg: (m,) grid, 0 up to but not including 360.
        turns_um: (turns, m) the estimated surface in each whole turn, drift taken off, mean of the
            repeatable profile at zero.
        repeatable_um: (m,) the part that comes back every turn, mean zero.
        repeatable_standard_um: (m,) standard uncertainty of `repeatable_um`.
    """

    angle_deg: FloatArray
    turns_um: FloatArray
    repeatable_um: FloatArray
    repeatable_standard_um: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Runout:
    """Run-out of one trace in micrometres and degrees. None where a figure could not be had (see notes).

    Attributes:
        as_read_um: largest minus smallest of the cleaned readings of the whole trace, nothing modelled.
        judged_um: the figure that is judged: the full indicator movement of the surface in the whole
            turn in which it is largest, spikes set aside, noise and steps taken out; None without a
            whole turn.
        per_turn_um: the same of every whole turn, in order.
        per_turn_as_read_um: largest minus smallest reading of every whole turn, nothing modelled.
        repeatable_um: full indicator movement of the part that comes back every turn (synchronous).
        repeatable_standard_um: its standard uncertainty from the readings alone.
        non_repeatable_um: largest spread at one angle over the whole turns (asynchronous), noise and
            steps of the indicator not counted; None with fewer than two turns.
        orders: orders 1 to 15, or as many as the readings carry.
        residual_after_order_1_um: movement of the repeatable part without order 1 (flatness along the
            circle).
        filtered_um: (cut-off in UPR, movement after the Gaussian roundness filter) for each cut-off
            that the reading rate allows.
        eccentricity_um: distance of the least-squares circle's centre from the axis (radial surface).
        out_of_round_um: spread about the least-squares circle (radial surface).
        high_spot_deg: angle of the largest value of the repeatable part.
        high_spot_standard_deg: its standard uncertainty.
        drift_um: slow movement of the holder from the first to the last reading (end minus start).
        noise_um: standard deviation of one reading about the fitted surface, never below
            resolution/sqrt(12).
        bound_um: the run-out of a turn is certainly not above this, where it cannot be had itself but
            the hub has gone round at least once.
        components: the part of the uncertainty budget of `judged_um` that belongs to run-out
            (readings and steps, repeatability between turns, drift, corrections, angle). The
            indicator's own error, plunger angle and temperature are added by the measurement.
        readings_used: readings that carried an angle and entered the fit.
        profiles: the surface on an angle grid; None without a whole turn.
        notes: what limits the figures.
    """

    as_read_um: float | None
    judged_um: float | None = None
    per_turn_um: tuple[float, ...] = ()
    per_turn_as_read_um: tuple[float, ...] = ()
    repeatable_um: float | None = None
    repeatable_standard_um: float | None = None
    non_repeatable_um: float | None = None
    orders: tuple[Order, ...] = ()
    residual_after_order_1_um: float | None = None
    filtered_um: tuple[tuple[int, float], ...] = ()
    eccentricity_um: float | None = None
    out_of_round_um: float | None = None
    high_spot_deg: float | None = None
    high_spot_standard_deg: float | None = None
    drift_um: float | None = None
    noise_um: float | None = None
    bound_um: float | None = None
    components: tuple[Component, ...] = ()
    readings_used: int = 0
    profiles: Profiles | None = None
    notes: tuple[Note, ...] = ()
