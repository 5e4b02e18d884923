"""Run-out of an interrupted surface: gaps set aside, or the tips of a ring taken for the surface."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analysis.cleaning import step_of
from analysis.harmonics import Order, order_from_pair
from analysis.interrupted import holes_of, teeth_of
from analysis.runout import Runout
from analysis.tip_envelope import Envelope, envelope_columns, fit_envelope
from analysis.trace import FloatArray, Trace
from analysis.turns.stopped import find_stops
from analysis.values import Cleaned, Component, Note, Turns

LEVEL_READINGS = 200  # over which the lowest level is looked for, on either side of a re-zero
SURE_TURNS = 1.25  # tips that repeat nothing cannot tell how far the ring was turned


def without_holes(cleaned: Cleaned) -> Cleaned:
    """The readings without those over gaps of the surface; unchanged when it has none.

    Low stops of a hub that is turned from stud to stud look like gaps: quick ways down and up, flat between.
    """
    found = holes_of(cleaned.trace.reading_um, cleaned.noise_um, cleaned.resolution_um)
    if found is None or cleaned.refused:
        return cleaned
    trace = cleaned.trace
    if find_stops(trace.time_s, trace.reading_um, cleaned.noise_um, cleaned.resolution_um) is not None:
        return cleaned
    kept = cleaned.kept.copy()
    kept[np.flatnonzero(cleaned.kept)[~found.keep]] = False
    gone = int((~found.keep).sum())
    note = Note(
        "surface_gaps", f"{found.gaps} gaps in the surface: {gone} readings over them were set aside."
    )
    return replace(
        cleaned,
        trace=cleaned.trace.where(found.keep),
        kept=kept,
        notes=(*cleaned.notes, note),
        corrected_um=cleaned.corrected_um[found.keep],
    )


def clean_tips(trace: Trace) -> Cleaned | None:
    """One reading for each tip of a toothed ring; None when the trace is not one of a ring.

    The ordinary cleaning would take the teeth for faults, so a ring is cleaned here: rejected readings are
    left out, a re-zero is taken back by the change of the lowest level, the tips are found.
    """
    good = np.ones(len(trace), dtype=np.bool_) if trace.flag is None else np.asarray(trace.flag == "")
    if not good.any():
        return None
    step = step_of(trace.reading_um[good], trace.resolution_um)
    corrected, notes = _rezero_taken_back(trace.reading_um[good], step)
    found = teeth_of(trace.reading_um[good] - corrected, step)
    if found is None:
        return None
    rows = np.flatnonzero(good)[found.keep]
    kept = np.zeros(len(trace), dtype=np.bool_)
    kept[rows] = True
    taken = corrected[found.keep]
    part = trace.where(kept)
    return Cleaned(
        trace=replace(part, reading_um=part.reading_um - taken),
        kept=kept,
        notes=(*notes, Note("surface_teeth", f"{found.gaps} tips of a toothed ring stand for the surface.")),
        refused=False,
        noise_um=step / math.sqrt(12),
        resolution_um=step,
        corrected_um=taken,
        correction_standard_um=step / math.sqrt(6) if notes else 0.0,
    )


def _rezero_taken_back(reading_um: FloatArray, step_um: float) -> tuple[FloatArray, tuple[Note, ...]]:
    """What to take off each reading for a re-zero: the change of the plunger's lowest level, once."""
    nothing = np.zeros(reading_um.size)
    move = np.abs(np.diff(reading_um))
    if move.size < 2 * LEVEL_READINGS:
        return nothing, ()
    place = int(np.argmax(move)) + 1
    before = reading_um[max(0, place - LEVEL_READINGS) : place]
    after = reading_um[place : place + LEVEL_READINGS]
    if min(before.size, after.size) < 20:
        return nothing, ()
    change = float(np.quantile(after, 0.1) - np.quantile(before, 0.1))
    if abs(change) < 50 * step_um or abs(change) < 1.2 * float(np.quantile(move, 0.999)):
        return nothing, ()
    nothing[:place] = -change
    text = f"The indicator was set to zero after reading {place}: {change:.1f} um were taken back."
    return nothing, (Note("re_zero", text),)


def take_tips_apart(cleaned: Cleaned) -> tuple[Turns, Runout]:
    """Turns and run-out of a toothed ring.

    Args:
        cleaned: one reading a tip, from `clean_tips`. The rows of the tips in the trace are their clock:
            readings come evenly, and a clock of whole seconds is too coarse for a tip.
    """
    trace = cleaned.trace
    envelope = fit_envelope(np.flatnonzero(cleaned.kept).astype(np.float64), trace.reading_um)
    turns = _turns(envelope, trace.time_s)
    as_read = float(np.ptp(trace.reading_um))
    if turns.complete < 1:
        note = Note("no_whole_turn", "The tips do not show a whole turn, so the run-out is not known.")
        return turns, Runout(as_read_um=as_read, noise_um=envelope.scatter_um, notes=(note,))
    per_turn = _per_turn(envelope, trace.reading_um, turns.complete)
    upper = float(envelope.upper.sum())
    components = (
        Component(
            f"scatter of {int(upper)} tips",
            envelope.scatter_um * math.sqrt(12 / upper),
            "A",
            max(upper - 5, 1.0),
        ),
        Component("tops of the tips missed between readings", envelope.scatter_um / math.sqrt(3), "B"),
        Component(
            f"resolution {cleaned.resolution_um:g} um, tips on one step",
            cleaned.resolution_um / math.sqrt(6),
            "B",
        ),
    )
    crest = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    edge = envelope_columns(crest) @ envelope.coefficients
    return turns, Runout(
        as_read_um=as_read,
        judged_um=max(per_turn),
        per_turn_um=per_turn,
        repeatable_um=envelope.movement_um,
        repeatable_standard_um=math.hypot(*(part.standard_um for part in components)),
        orders=_orders(envelope),
        residual_after_order_1_um=_after_order_1(envelope, crest, edge),
        high_spot_deg=float(np.rad2deg(np.mod(crest[np.argmax(edge)] - envelope.angle_rad[0], 2 * np.pi))),
        noise_um=envelope.scatter_um,
        components=components,
        readings_used=len(trace),
        notes=(Note("tips_only", "Orders 1 and 2 only: what lies between the tips was not seen."),),
    )


def _turns(envelope: Envelope, time_s: FloatArray) -> Turns:
    angle = np.maximum.accumulate(envelope.angle_rad - envelope.angle_rad[0])
    sure = envelope.turns >= SURE_TURNS
    whole = int(envelope.turns) if sure else 0
    starts = np.interp(2 * np.pi * np.arange(whole + 1), angle, time_s) if whole else np.empty(0)
    return Turns(
        total=envelope.turns,
        complete=whole,
        found_by="self",
        starts_s=starts,
        confidence=0.9 if sure else 0.5,
        angle_deg=np.rad2deg(envelope.angle_rad - envelope.angle_rad[0]),
        angle_standard_deg=5.0,
        speed_pattern_deg=5.0,
        at_least_once=sure,
    )


def _per_turn(envelope: Envelope, top_um: FloatArray, complete: int) -> tuple[float, ...]:
    """Movement of each whole turn: the envelope, its size fitted to the tips of that turn."""
    passed = envelope.angle_rad - envelope.angle_rad[0]
    edge = envelope_columns(envelope.angle_rad) @ envelope.coefficients
    found = []
    for turn in range(complete):
        inside = (passed >= 2 * np.pi * turn) & (passed < 2 * np.pi * (turn + 1))
        weight = envelope.upper[inside]
        height = edge[inside] - np.average(edge[inside], weights=weight + 1e-9)
        top = top_um[inside] - np.average(top_um[inside], weights=weight + 1e-9)
        size = float(weight @ (height * top)) / max(float(weight @ height**2), 1e-12)
        found.append(abs(size) * envelope.movement_um)
    return tuple(found)


def _orders(envelope: Envelope) -> tuple[Order, ...]:
    """Orders 1 and 2, the angle counted from the first tip."""
    upper = max(float(envelope.upper.sum()), 1.0)
    covariance = np.eye(2) * (2 * envelope.scatter_um**2 / upper + envelope.scatter_um**2 / 12)
    orders = []
    for order in (1, 2):
        pair = complex(envelope.coefficients[2 * order - 1], -envelope.coefficients[2 * order])
        pair *= complex(np.exp(1j * order * envelope.angle_rad[0]))
        orders.append(order_from_pair(order, pair.real, -pair.imag, covariance))
    return tuple(orders)


def _after_order_1(envelope: Envelope, crest: FloatArray, edge: FloatArray) -> float:
    first = envelope_columns(crest)[:, 1:3] @ envelope.coefficients[1:3]
    return float(np.ptp(edge - first))
