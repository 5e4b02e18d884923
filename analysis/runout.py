"""Run-out taken apart: what the readings of a turned hub say about its surface.

`take_apart` gets readings with an angle and gives the movement as read, of each whole turn, the part
that repeats every turn (synchronous) and the part that does not (asynchronous), the orders of the turn,
and the parts of the uncertainty budget that belong to run-out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.circles import radial_reference
from analysis.draws import (
    JOINED_RAD,
    Drawn,
    circular_standard_rad,
    draw,
    spread_at_one_angle,
    with_turns_apart,
)
from analysis.harmonics import Order
from analysis.narrow import narrow_place
from analysis.roundness import allowed_cutoffs, gaussian_filter
from analysis.runout_budget import model_factor, orders_of, runout_components
from analysis.stop_fit import fit_stops
from analysis.stops import rests, spread_at_stops
from analysis.surface import Posed, Surface, fitted_reading, slow_amplitude_um
from analysis.surface_fit import fit_surface
from analysis.thinning import thin
from analysis.trace import FloatArray
from analysis.values import Cleaned, Component, Note, Setup, Turns

__all__ = ["Order", "Profiles", "Runout", "take_apart"]

FEWEST_READINGS = 12
WORTH_A_WORD_UM = 1.0
HIGH_SPOT_PATTERN = 0.6  # of a speed pattern that comes back every turn: what it moves one place (simulated)


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


ABSURD = 3.0  # times what the readings span: no surface that was really turned past them
DIVERGED = Note(
    "fit_diverged",
    "No surface and turning could be fitted to these readings together. Record again, three to five turns, "
    "with index marks.",
)


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
        slow_um: amplitude (half the swing) of movement that comes round slower than the hub, as a cage's
            wobble does; None where none stands above the noise.
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
        bound_um: the run-out of a turn is certainly not above this, where the hub has certainly gone
            round at least once; also where the turns could not be laid out.
        components: the part of the uncertainty budget of `judged_um` that belongs to run-out
            (readings and steps, repeatability between turns, drift, corrections, angle). The
            indicator's own error, plunger angle and temperature are added by the measurement.
        readings_used: readings that carried an angle and entered the fit.
        profiles: the surface on an angle grid; None without a whole turn.
        posed: the linear problem that the surface answers; None without a whole turn.
        begins_rad: (turns,) cumulative angle at which each whole turn begins in it.
        notes: what limits the figures.
    """

    as_read_um: float | None
    judged_um: float | None = None
    per_turn_um: tuple[float, ...] = ()
    per_turn_as_read_um: tuple[float, ...] = ()
    repeatable_um: float | None = None
    repeatable_standard_um: float | None = None
    non_repeatable_um: float | None = None
    slow_um: float | None = None
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
    posed: Posed | None = None
    begins_rad: tuple[float, ...] = ()
    notes: tuple[Note, ...] = ()


def take_apart(cleaned: Cleaned, turns: Turns, setup: Setup = Setup()) -> Runout:  # noqa: B008 - frozen value
    """Take the movement of the surface apart.

    Args:
        cleaned: the readings, with what is wrong set aside or corrected.
        turns: where the hub stood at each of them.
        setup: a radial surface also gets its least-squares circle.

    Without an angle, or without a whole turn, only the movement as read is said, and a bound where the
    hub has certainly gone round at least once: no turn moves more than the whole trace did, but for the
    half step by which either end may have been rounded. The same where the fit diverges: an angle that
    the readings contradict leaves equations that rounding has spoilt, and no figure of them is said.
    """
    try:
        told = _taken_apart(cleaned, turns, setup)
    except np.linalg.LinAlgError:
        return _diverged(cleaned, turns)
    absurd = ABSURD * ((told.as_read_um or 0.0) + 2 * cleaned.resolution_um)
    return _diverged(cleaned, turns) if (told.repeatable_um or 0.0) > absurd else told


def _diverged(cleaned: Cleaned, turns: Turns) -> Runout:
    as_read = float(np.ptp(cleaned.trace.reading_um))
    return replace(_unknown(cleaned, replace(turns, at_least_once=False), as_read), notes=(DIVERGED,))


def _taken_apart(cleaned: Cleaned, turns: Turns, setup: Setup) -> Runout:
    reading = cleaned.trace.reading_um
    as_read = float(np.ptp(reading)) if reading.size else None
    if cleaned.refused or turns.angle_deg is None or turns.complete < 1:
        return _unknown(cleaned, turns, as_read)
    if turns.found_by == "stops":
        return _from_stops(cleaned, turns, setup, as_read)
    known = np.isfinite(turns.angle_deg)
    angle = np.deg2rad(turns.angle_deg[known])
    time_s, reading = cleaned.trace.time_s[known], reading[known]
    if angle.size < FEWEST_READINGS:
        return _unknown(cleaned, turns, as_read)
    rows = thin(angle, time_s, reading)
    surface = fit_surface(rows, cleaned.resolution_um)
    start = float(np.interp(turns.starts_s[0], time_s, angle))
    if angle[-1] < angle[0]:
        start -= 2 * np.pi * turns.complete
    drawn = draw(surface, start, turns.complete)
    if rows.together > 1:
        place = (angle - start) / (2 * np.pi)
        drawn = with_turns_apart(
            drawn, fitted_reading(surface, angle, time_s), reading, place, surface.noise_um
        )
    as_read_turns = _as_read_per_turn(time_s, reading, turns.starts_s)
    return _told(cleaned, turns, setup, surface, drawn, as_read, as_read_turns)


def _unknown(cleaned: Cleaned, turns: Turns, as_read: float | None) -> Runout:
    bound = None
    if turns.at_least_once and as_read is not None and not cleaned.refused:
        bound = as_read + cleaned.resolution_um
    note = Note("no_whole_turn", "No whole turn could be laid out, so the run-out itself is not known.")
    return Runout(as_read_um=as_read, noise_um=cleaned.noise_um, bound_um=bound, notes=(note,))


def turn_edges(time_s: FloatArray, starts_s: FloatArray) -> tuple[tuple[int, int], ...]:
    """First and last reading of every whole turn; the last one is the first of the next turn."""
    return tuple((int(first), int(last)) for first, last in pairwise(np.searchsorted(time_s, starts_s)))


def _as_read_per_turn(time_s: FloatArray, reading: FloatArray, starts_s: FloatArray) -> tuple[float, ...]:
    pieces = [reading[first : last + 1] for first, last in turn_edges(time_s, starts_s)]
    return tuple(float(np.ptp(piece)) for piece in pieces if piece.size)


def _told(
    cleaned: Cleaned,
    turns: Turns,
    setup: Setup,
    surface: Surface,
    drawn: Drawn,
    as_read: float | None,
    as_read_turns: tuple[float, ...],
) -> Runout:
    per_turn = drawn.turns.mean(axis=0)
    step_um = cleaned.resolution_um
    per_reading = np.sqrt(surface.noise_um**2 + (step_um**2 / 12 if surface.cells else 0.0))
    slow = slow_amplitude_um(surface, turns.complete)
    radial = radial_reference(drawn.profile) if setup.surface == "radial" else (None, None)
    rate = surface.used / max(abs(turns.total or turns.complete), 1.0)
    return Runout(
        as_read_um=as_read,
        judged_um=float(per_turn.max()),
        per_turn_um=tuple(float(value) for value in per_turn),
        per_turn_as_read_um=as_read_turns,
        repeatable_um=float(drawn.repeatable.mean()),
        repeatable_standard_um=model_factor(cleaned, turns, surface, drawn) * float(drawn.repeatable.std()),
        non_repeatable_um=spread_at_one_angle(drawn.slow) if turns.complete > 1 else None,
        slow_um=slow,
        orders=orders_of(cleaned, turns, surface, drawn),
        residual_after_order_1_um=float(drawn.after_order_1.mean()),
        filtered_um=_filtered(drawn.profile, min(rate, 7.0 * surface.shape.orders)),
        eccentricity_um=radial[0],
        out_of_round_um=radial[1],
        high_spot_deg=float(np.rad2deg(drawn.grid_rad[np.argmax(drawn.profile)])),
        high_spot_standard_deg=float(
            math.hypot(
                np.rad2deg(circular_standard_rad(drawn.high_spot_rad)),
                turns.angle_standard_deg,
                turns.mark_standard_deg,
                HIGH_SPOT_PATTERN * turns.speed_pattern_deg,
            )
        ),
        drift_um=2.0 * float(surface.mean[1]),
        noise_um=float(max(per_reading, step_um / np.sqrt(12))),
        bound_um=as_read + step_um if turns.at_least_once and as_read is not None else None,
        components=runout_components(cleaned, turns, surface, drawn),
        readings_used=surface.used,
        profiles=Profiles(
            angle_deg=np.rad2deg(drawn.grid_rad),
            turns_um=drawn.profile + drawn.slow,
            repeatable_um=drawn.profile,
            repeatable_standard_um=drawn.profile_standard,
        ),
        posed=surface.posed,
        begins_rad=tuple(drawn.start_rad - JOINED_RAD + 2 * np.pi * turn for turn in range(turns.complete)),
        notes=(*_slow_notes(slow, turns), *_narrow_notes(drawn, cleaned)),
    )


def _slow_notes(slow_um: float | None, turns: Turns) -> tuple[Note, ...]:
    """What moves slower than the hub, where it is worth a word and the turns have not said it."""
    if slow_um is None or slow_um < WORTH_A_WORD_UM or "slow_motion" in [note.code for note in turns.notes]:
        return ()
    text = (
        f"Something moves by {slow_um:.1f} um either way slower than the hub, as a bearing's cage goes round."
    )
    return (Note("slow_motion", text),)


def _narrow_notes(drawn: Drawn, cleaned: Cleaned) -> tuple[Note, ...]:
    """A narrow place counts in the run-out; whether it is the flange or dirt on it only a look can tell."""
    found = narrow_place(drawn.profile, drawn.profile_standard, cleaned.resolution_um)
    if found is None or "narrow_bump" in [note.code for note in cleaned.notes]:
        return ()
    at_deg, height_um = found
    side = "above" if height_um > 0 else "below"
    text = (
        f"A narrow place at {at_deg:.0f} degrees of the turn stands {abs(height_um):.1f} um {side} the shape "
        "around it every turn: look for dirt, rust or a burr there."
    )
    return (Note("narrow_bump", text),)


def _filtered(profile: FloatArray, readings_per_turn: float) -> tuple[tuple[int, float], ...]:
    """Movement after the Gaussian filter, for the cut-offs that readings and fitted orders carry."""
    fine = 4 * profile.size
    spectrum = np.fft.rfft(profile)
    smooth = np.fft.irfft(spectrum, n=fine) * (fine / profile.size)
    return tuple(
        (cutoff, float(np.ptp(gaussian_filter(smooth, cutoff))))
        for cutoff in allowed_cutoffs(readings_per_turn)
        if fine >= 7 * cutoff
    )


def _from_stops(cleaned: Cleaned, turns: Turns, setup: Setup, as_read: float | None) -> Runout:
    """Run-out from rests at known places and the readings on the way between them."""
    time_s, reading = cleaned.trace.time_s, cleaned.trace.reading_um
    assert turns.angle_deg is not None
    levels = rests(time_s, np.deg2rad(turns.angle_deg), reading)
    if len(cleaned.trace) < FEWEST_READINGS:
        return _unknown(cleaned, turns, as_read)
    surface, on_the_way = fit_stops(levels, cleaned.trace, cleaned.noise_um, cleaned.resolution_um)
    drawn = draw(surface, float(levels.angle_rad[0]), turns.complete)
    as_read_turns = _as_read_per_turn(time_s, reading, turns.starts_s)
    told = _told(cleaned, turns, setup, surface, drawn, as_read, as_read_turns)
    drift = surface.shape.drift_columns(levels.time_s) @ surface.mean[1:3]
    note = Note(
        "stops",
        f"The hub was read at {levels.places} places a turn; {on_the_way} readings on the way between them "
        "were used, whose angle is not sure.",
    )
    return replace(
        told,
        non_repeatable_um=spread_at_stops(levels, drift, cleaned.resolution_um),
        # Of the order that is half the places a rest shows the cosine or the sine, not both.
        orders=told.orders[: max(1, (levels.places - 1) // 2)],
        readings_used=levels.level_um.size + on_the_way,
        # On the way between two stops the angle is too unsure to tell a narrow place from a hand's pace.
        notes=(*(one for one in told.notes if one.code != "narrow_bump"), note),
    )
