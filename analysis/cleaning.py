"""What is wrong with a trace, found, named, and set aside or corrected before anything is judged.

Nothing is repaired in silence: every finding leaves a note (code and sentence), every correction shows
in `Cleaned.corrected_um`, and what cannot be corrected refuses the run.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from itertools import compress

import numpy as np

from analysis.cleaning_clock import clock_gaps
from analysis.cleaning_levels import (
    MOST_JUMPS,
    hops,
    jump_note,
    jumps,
    many_jumps_note,
    switch_without_jump,
    unit_factor,
)
from analysis.cleaning_spikes import is_interrupted, lone_spikes, off_the_curve, without_bumps
from analysis.cleaning_still import idle_ends, stuck
from analysis.one_way import one_way
from analysis.trace import BoolArray, FloatArray, Trace
from analysis.turns.steps import fitted_steps
from analysis.turns.stopped import find_stops
from analysis.values import Cleaned, Note, Setup

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9 /:;,.]{0,80}")
_SMALLEST_SHARE = 0.5
_FEWEST_AT_LEVEL = 4
_COUNT_FROM = 100_000
_INCH_STEPS_UM = (0.254, 1.27, 2.54, 12.7, 25.4)


@dataclass(slots=True, eq=False)
class _Work:
    """A trace while it is cleaned: what is kept so far, the readings as corrected, and the notes."""

    trace: Trace
    keep: BoolArray
    reading: FloatArray
    noise: float = 0.0
    step: float = 0.0
    standard_um: float = 0.0
    refused: bool = False
    notes: list[Note] = field(default_factory=list)

    def kept(self) -> tuple[FloatArray, FloatArray]:
        """Times and corrected readings that are kept so far, to be read only."""
        if self.keep.all():
            return self.trace.time_s, self.reading
        return self.trace.time_s[self.keep], self.reading[self.keep]

    def drop(self, among_kept: BoolArray) -> None:
        """Set aside the readings that `among_kept` marks among those kept so far."""
        self.keep[np.flatnonzero(self.keep)[among_kept]] = False

    def say(self, code: str, text: str) -> None:
        self.notes.append(Note(code, text))

    def where(self, among_kept: int) -> str:
        """Place of a kept reading, for people."""
        index = int(np.flatnonzero(self.keep)[among_kept])
        return f"reading {index + 1} ({self.trace.time_s[index]:.1f} s)"


def clean(trace: Trace, setup: Setup = Setup()) -> Cleaned:  # noqa: B008 - frozen value
    """The trace with what is wrong set aside or corrected, and each of these said.

    Args:
        trace: the readings as captured, um and s.
        setup: what is known of the instrument; nothing of it is needed here.
    """
    work = _Work(trace, np.ones(len(trace), dtype=np.bool_), trace.reading_um.astype(np.float64, copy=True))
    _flagged(work)
    _repeated_times(work)
    _step_and_noise(work)
    if (note := one_way(work.kept()[1], work.step)) is not None:
        work.notes.append(note)
        work.refused = True
    if _interrupted(work):
        work.say(
            "interrupted_surface",
            "More than a few percent of the readings jump between two levels, as on studs, slots or teeth; "
            "single readings were not judged as spikes.",
        )
        return _finished(work)
    if find_stops(*work.kept(), work.noise, work.step) is not None:
        # Turned from stud to stud: rests and quick moves are the measurement itself.
        _single_spikes(work)
        return _finished(work)
    _unit_switch(work)
    _stuck(work)
    _excursions(work)
    _levels(work)
    _idle(work)
    _clock(work)
    return _finished(work)


def step_of(reading_um: FloatArray, stated_um: float | None) -> float:
    """The step the readings come in, um: the smallest difference that occurs, or the stated one."""
    levels = _levels_in(reading_um)
    if levels.size < 3:
        return stated_um or 1.0
    gaps = np.diff(levels)
    smallest = float(gaps[gaps > 1e-3].min(initial=np.inf))
    if not np.isfinite(smallest):
        return stated_um or 1.0
    multiples = gaps / smallest
    even = float(np.mean(np.abs(multiples - np.round(multiples)) < 0.02 * np.maximum(1, multiples)))
    if even > 0.9 and levels.size < 0.9 * reading_um.size:
        return smallest
    return stated_um or smallest


def _levels_in(reading_um: FloatArray) -> FloatArray:
    """The different readings, to 0.1 nm, in order: counted where sorting a million would take its time."""
    if reading_um.size < _COUNT_FROM:
        return np.unique(np.round(reading_um, 4))
    tenths = np.rint(reading_um * 1e4)
    low, high = float(tenths.min()), float(tenths.max())
    if high - low > _COUNT_FROM * 100:
        return np.unique(np.round(reading_um, 4))
    seen = np.zeros(int(high - low) + 1, dtype=np.bool_)
    seen[(tenths - low).astype(np.intp)] = True
    return np.asarray((np.flatnonzero(seen) + low) / 1e4, dtype=np.float64)


def noise_of(reading_um: FloatArray, resolution_um: float) -> float:
    """Standard deviation of one reading's noise, um, never below resolution/sqrt(12).

    From the third differences, which a smooth motion leaves nearly nothing in; of these the smallest
    half, because a narrow feature of the flange still does.
    """
    floor = resolution_um / np.sqrt(12.0)
    if reading_um.size < 12:
        return float(floor)
    third = np.abs(np.diff(reading_um, 3)) / np.sqrt(20.0)
    # A quarter of the values of a normal variable lie within 0.3186 standard deviations.
    level = float(np.quantile(third, 0.5 * _SMALLEST_SHARE)) / 0.3186
    return float(max(floor, level))


def _interrupted(work: _Work) -> bool:
    """Whether the surface has gaps, once readings that stand alone are out of the way."""
    _, reading = work.kept()
    if not is_interrupted(reading, work.step):
        return False
    return is_interrupted(reading[~lone_spikes(reading, work.noise, work.step)], work.step)


def _flagged(work: _Work) -> None:
    flag = work.trace.flag
    if flag is None or not (flag != "").any():
        return
    bad = flag != ""
    # Only plain words are repeated: a pack writes anything else in a form that no spreadsheet obeys.
    why = ", ".join(sorted({str(one) for one in flag[bad] if _PLAIN.fullmatch(str(one))}))
    work.keep &= ~bad
    found = f"{int(bad.sum())} readings were rejected at capture"
    work.say("flagged_readings", f"{found} ({why})." if why else f"{found}.")


def _repeated_times(work: _Work) -> None:
    time_s, _ = work.kept()
    again = np.concatenate([[False], np.diff(time_s) <= 0.0])
    if again.any():
        work.drop(again)
        work.say(
            "repeated_times",
            f"{int(again.sum())} readings carry the time of the one before and were left out.",
        )


def _step_and_noise(work: _Work) -> None:
    _, reading = work.kept()
    stated = work.trace.resolution_um
    work.step = step_of(reading, stated)
    work.noise = noise_of(reading, work.step)
    inch = next((one for one in _INCH_STEPS_UM if abs(work.step / one - 1.0) < 0.01), None)
    if inch is not None and work.trace.unit != "in":
        work.say(
            "inch_steps",
            f"The readings come in steps of {work.step:.3f} um: the indicator was set to inches "
            f"and converted.",
        )
    elif stated is not None and not 0.6 < work.step / stated < 1.7 and reading.size > 50:
        work.say(
            "step_not_as_stated", f"The readings come in steps of {work.step:g} um; {stated:g} um was stated."
        )


def _unit_switch(work: _Work) -> None:
    time_s, reading = work.kept()
    places = [one.after for one in jumps(time_s, reading, work.noise, work.step)]
    quiet = switch_without_jump(reading)
    for at in [*places, *([] if quiet is None else [quiet])]:
        factor = unit_factor(reading, at)
        if factor is None or not _steps_agree(reading[:at], reading[at:], factor):
            continue
        index = np.flatnonzero(work.keep)[at:]
        work.reading = work.reading.copy()
        work.reading[index] *= factor
        work.say(
            "unit_switched",
            f"From {work.where(at)} on the readings are {'1/25.4 of' if factor > 1 else '25.4 times'} what "
            f"they were: the unit was switched between mm and inch. They were multiplied by {factor:.4g}.",
        )
        work.step = max(step_of(reading[:at], None), step_of(reading[at:], None) * factor)
        work.noise = noise_of(work.kept()[1], work.step)
        return


def _steps_agree(before: FloatArray, after: FloatArray, factor: float) -> bool:
    """Whether the steps of the readings shrank or grew as a switched unit makes them."""
    ratio = step_of(before, None) / step_of(after, None)
    return ratio > 3.0 if factor > 1.0 else ratio < 1.0 / 3.0


def _stuck(work: _Work) -> None:
    _, reading = work.kept()
    held = stuck(reading, work.noise, work.step)
    if not held.any():
        return
    first = int(np.flatnonzero(held)[0])
    work.say(
        "stuck_readings",
        f"{int(held.sum())} readings repeat the one before although the plunger moved, from "
        f"{work.where(first)} on; they were set aside.",
    )
    work.drop(held)


def _excursions(work: _Work) -> None:
    """Readings that leave and come back: spikes of one to three readings, and longer hops of the plunger."""
    time_s, reading = work.kept()
    spike = lone_spikes(reading, work.noise, work.step)
    hop = _hopped(work, spike)
    away = spike | hop
    if not away.any():
        return
    away = off_the_curve(away, reading, max(8.0 * work.noise, 4.0 * work.step))
    away, bumps = without_bumps(away, time_s, reading, work.noise)
    if bumps:
        work.say(
            "narrow_bump",
            "A narrow bump comes back at the same angle every turn: it belongs to the flange and stays in.",
        )
    hop &= away & ~spike
    work.drop(away)
    if (away & spike).any():
        count = int((away & spike).sum())
        work.say("spikes", f"{count} readings stand out alone (dirt, rust) and were set aside.")
    if hop.any():
        work.say("plunger_hops", f"{int(hop.sum())} readings in which the plunger hopped were set aside.")


def _hopped(work: _Work, spike: BoolArray) -> BoolArray:
    """Readings of longer hops, looked for where the spikes are out of the way.

    Spikes beside a change of level that lasts are taken out of `spike`: there a running median says nothing.
    """
    time_s, reading = work.kept()
    rows = np.flatnonzero(~spike)
    if rows.size < reading.size:
        time_s, reading = time_s[rows], reading[rows]
    lasting, lifted = hops(jumps(time_s, reading, work.noise, work.step), time_s)
    for one in lasting:
        first = int(rows[one.after])
        spike[max(0, first - 3) : first + 3] = False
        # At either end of a trace a few readings are no level that lasts.
        if first < _FEWEST_AT_LEVEL:
            spike[:first] = True
        elif spike.size - first < _FEWEST_AT_LEVEL:
            spike[first:] = True
    hop = np.zeros(spike.size, dtype=np.bool_)
    hop[rows[lifted]] = True
    return hop


def _single_spikes(work: _Work) -> None:
    _, reading = work.kept()
    spike = lone_spikes(reading, work.noise, work.step)
    # A move from level to level is no spike: a spike stands between two readings that agree.
    apart = np.abs(reading[2:] - reading[:-2])
    away = np.minimum(np.abs(reading[1:-1] - reading[2:]), np.abs(reading[1:-1] - reading[:-2]))
    spike[1:-1] &= apart <= np.maximum(max(4.0 * work.noise, 2.0 * work.step), 0.2 * away)
    spike[[0, -1]] = False
    if spike.any():
        work.drop(spike)
        work.say("spikes", f"{int(spike.sum())} readings stand out alone (dirt, rust) and were set aside.")


def _levels(work: _Work) -> None:
    """Slips and re-zeros taken off."""
    time_s, reading = work.kept()
    found, _ = hops(jumps(time_s, reading, work.noise, work.step), time_s)
    if not found:
        return
    angle = work.trace.angle_deg
    sizes = fitted_steps(
        time_s,
        reading,
        work.noise,
        [(one.after, one.by_um, one.standard_um) for one in found],
        None if angle is None else angle[work.keep],
    )
    # Elsewhere it was a steep place of the flange: the trace as a whole knows of no change of level.
    sure = [abs(by_um) > max(4.0 * standard, 3.0 * work.step) for by_um, standard in sizes]
    if sum(sure) > MOST_JUMPS:
        work.refused = True
        work.notes.append(many_jumps_note(sum(sure)))
        return
    index = np.flatnonzero(work.keep)
    work.reading = work.reading.copy()
    for one, (by_um, standard_um) in compress(zip(found, sizes, strict=True), sure):
        work.reading[index[one.after] :] -= by_um
        work.standard_um = float(np.hypot(work.standard_um, standard_um))
        place = work.where(one.after)
        work.notes.append(jump_note(place, by_um, standard_um, to_zero=one.to_zero))


def _idle(work: _Work) -> None:
    _, reading = work.kept()
    lead, tail = idle_ends(reading, work.noise, work.step)
    still = np.zeros(reading.size, dtype=np.bool_)
    if lead:
        still[: lead - 1] = True
        work.say("idle_lead_in", f"{lead - 1} readings before the hub moved are left out.")
    if tail:
        still[reading.size - tail + 1 :] = True
        work.say("idle_lead_out", f"{tail - 1} readings after the hub had stopped are left out.")
    work.drop(still)


def _clock(work: _Work) -> None:
    time_s, reading = work.kept()
    gaps = clock_gaps(time_s, reading, work.noise, np.diff(np.flatnonzero(work.keep)) == 1)
    for at in gaps.jumped[:3]:
        seconds = float(time_s[at] - time_s[at - 1])
        work.say(
            "clock_jump",
            f"The clock goes on by {seconds:.1f} s at {work.where(int(at))} while the readings do not; "
            f"the time between was not counted as turning.",
        )
    for at in gaps.lost[:3]:
        seconds = float(time_s[at] - time_s[at - 1])
        work.say("gap", f"No readings came for {seconds:.1f} s before {work.where(int(at))}.")


def _finished(work: _Work) -> Cleaned:
    kept = _keep_marks(work.trace, work.keep)
    corrected = (work.trace.reading_um - work.reading)[work.keep]
    return Cleaned(
        trace=replace(kept, reading_um=work.reading[work.keep]),
        kept=work.keep,
        notes=tuple(work.notes),
        refused=work.refused,
        noise_um=work.noise,
        resolution_um=work.step,
        corrected_um=corrected,
        correction_standard_um=work.standard_um,
    )


def _keep_marks(trace: Trace, keep: BoolArray) -> Trace:
    """The kept readings; a mark of a dropped reading moves to the next kept one."""
    kept = trace.where(keep)
    if trace.mark is None or kept.mark is None or not len(kept):
        return kept
    mark = kept.mark.copy()
    lost = np.flatnonzero(trace.mark & ~keep)
    if lost.size:
        place = np.searchsorted(np.flatnonzero(keep), lost)
        inside = (place > 0) & (place < len(kept))
        mark[place[inside]] = True
    return replace(kept, mark=mark)
