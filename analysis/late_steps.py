"""Changes of level that only show once the turns are known: small slips, and re-zeros near where zero was.

A slip of a few micrometres stands out from no neighbour, but from then on every turn lies higher than the
ones before it. The readings less what the turns explain are searched for the place at which a step would
explain most (a generalised likelihood ratio: M. Basseville, I. Nikiforov, Detection of Abrupt Changes, 1993,
2.4; from memory). Where the angle was measured that decides. Where it was found from the readings, a fit may
have bent its turns to follow the step, so turns and step are fitted together, and the evidence must gain.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.cleaning_clock import working_time
from analysis.cleaning_levels import MOST_JUMPS, is_zero, jump_note, many_jumps_note
from analysis.trace import FloatArray
from analysis.turns.search import CAGE, fine
from analysis.turns.state_answers import coefficient_standards
from analysis.turns.state_model import FIXED, Problem
from analysis.turns.thinning import thinned
from analysis.values import Cleaned, Turns

_BLOCKS = 600
_ORDERS = 10
_ROUNDS = 2
_LEAST_TURNS = 1.3
# Of movement slower than the hub: a bearing's cage, and what the holder does besides drifting.
_SLOW_PER_TURN = (0.43,)
_MEASURED_SLOW_PER_TURN = (0.43, 0.8, 1.5)
_ENDS = 0.03
_FEWEST = 6
# A step of which the rest of the model leaves less than this is no more than its shape.
_LEFT = 0.003
_WORTH_A_FIT = 8.0
_SURE_AT_AN_ANGLE = 25.0
# Log evidence; some 300 places were looked at.
_GAIN = 6.0
_STANDARDS = 4.0
_STEPS = 1.5


@dataclass(frozen=True, slots=True)
class LateStep:
    """A change of level: first kept reading after it, its size and standard uncertainty in um."""

    after: int
    by_um: float
    standard_um: float
    gain: float


def without_late_steps(
    cleaned: Cleaned, turns: Turns, again: Callable[[Cleaned], Turns]
) -> tuple[Cleaned, Turns]:
    """The readings with such changes taken off and said, and the turns found again.

    Args:
        cleaned: the trace after cleaning.
        turns: its turns.
        again: finds the turns of a trace.
    """
    for _ in range(_ROUNDS):
        found = late_step(cleaned, turns)
        if found is None:
            break
        cleaned = _taken_off(cleaned, found)
        if cleaned.refused:
            break
        turns = again(cleaned)
    return cleaned, turns


def late_step(cleaned: Cleaned, turns: Turns) -> LateStep | None:
    """The change of level that explains most of what the turns leave; None where none surely does."""
    known = turns.angle_deg is not None and np.isfinite(turns.angle_deg).all()
    if cleaned.refused or not known or turns.found_by == "stops" or (turns.total or 0.0) < _LEAST_TURNS:
        return None
    assert turns.angle_deg is not None
    position = np.abs(turns.angle_deg - turns.angle_deg[0]) / 360.0
    measured = turns.found_by == "angle"
    found = _most_likely(cleaned, position, _MEASURED_SLOW_PER_TURN if measured else _SLOW_PER_TURN)
    if found is None or found.gain < (_SURE_AT_AN_ANGLE if measured else _WORTH_A_FIT):
        return None
    if not measured:
        worn = any(note.code == "slow_motion" for note in turns.notes)
        found = _fitted_with_turns(cleaned, position, found.after, worn=worn)
    clear = abs(found.by_um) > max(_STANDARDS * found.standard_um, _STEPS * cleaned.resolution_um)
    return found if clear and found.gain > _GAIN else None


def _most_likely(cleaned: Cleaned, position: FloatArray, slow: tuple[float, ...]) -> LateStep | None:
    """The step that explains most at these positions (turns), and half its gain in chi-squared."""
    size = position.size
    block = max(1, -(-size // _BLOCKS))
    firsts = np.arange(0, size, block)
    count = np.diff(np.append(firsts, size))
    turned = np.add.reduceat(position, firsts) / count
    reading = np.add.reduceat(cleaned.trace.reading_um, firsts) / count
    weight = np.sqrt(count / block)
    columns = _columns(turned, slow)
    if firsts.size < columns.shape[1] + 4 * _FEWEST:
        return None
    basis, _ = np.linalg.qr(columns * weight[:, None])
    left = reading * weight
    left -= basis @ (basis.T @ left)
    # A step at s is the sum of all places from s on: what the model leaves of it comes from running sums.
    inside = np.cumsum((basis * weight[:, None])[::-1], axis=0)[::-1]
    length = np.cumsum(weight[::-1] ** 2)[::-1] - (inside**2).sum(axis=1)
    along = np.cumsum((left * weight)[::-1])[::-1]
    edge = max(_FEWEST, int(_ENDS * firsts.size))
    possible = length > _LEFT * firsts.size
    possible[:edge] = possible[firsts.size - edge :] = False
    if not possible.any():
        return None
    spare = firsts.size - columns.shape[1]
    variance = max(float(left @ left) / spare, 0.3 * cleaned.noise_um**2 / block)
    gain = np.where(possible, along**2 / np.where(possible, length, 1.0), 0.0) / (2.0 * variance)
    at = int(np.argmax(gain))
    if not possible[at]:
        return None  # nothing is left anywhere: the readings do not move
    by_um = float(along[at] / length[at])
    after = _steepest(cleaned.trace.reading_um, int(firsts[at - 1]), int(firsts[at]) + block, by_um)
    after = int(firsts[at]) if block == 1 else after
    return LateStep(after, by_um, float(np.sqrt(variance / length[at])), float(gain[at]))


def _columns(turned: FloatArray, slow: tuple[float, ...]) -> FloatArray:
    """Drift and its curvature, the orders of the turn, and slow movement."""
    part = np.linspace(-1.0, 1.0, turned.size)
    angle = 2.0 * np.pi * turned
    most = int(min(_ORDERS, turned.size / max(float(turned[-1] - turned[0]), 1.0) / 3.0))
    waves = [rate * angle for rate in (*range(1, most + 1), *slow)]
    return np.column_stack(
        [part**0, part, part**2, part**3, *(np.cos(one) for one in waves), *(np.sin(one) for one in waves)]
    )


def _steepest(reading_um: FloatArray, first: int, last: int, by_um: float) -> int:
    """The reading after the largest change in the step's direction between two readings."""
    moved = np.diff(reading_um[first:last]) * np.sign(by_um)
    return first + 1 + int(np.argmax(moved))


def _fitted_with_turns(cleaned: Cleaned, position: FloatArray, after: int, *, worn: bool) -> LateStep:
    """The step at `after` fitted together with the turns; its gain is in log evidence.

    Where the turns were found beside a cage's motion, step and cage each may be what the other was taken for:
    the step must gain on the likelier of turning with a cage and without.
    """
    trace = cleaned.trace
    work_s = working_time(trace.time_s, trace.reading_um, cleaned.noise_um, cleaned.kept)
    time_s, reading, sigma = thinned(work_s, trace.reading_um, cleaned.noise_um, [after])
    start = np.interp(time_s, work_s, position)
    step = (time_s >= work_s[after]).astype(np.float64)[:, None]
    plain = Problem(time_s, reading, sigma)
    problems = (plain, replace(plain, cage=CAGE)) if worn else (plain,)
    without = max(fine(one, start).evidence for one in problems)
    beside = max((fine(replace(one, extra=step), start) for one in problems), key=lambda one: one.evidence)
    return LateStep(
        after,
        float(beside.coefficients[FIXED]),
        float(coefficient_standards(beside)[FIXED]),
        beside.evidence - without,
    )


def _taken_off(cleaned: Cleaned, found: LateStep) -> Cleaned:
    """The trace with the change taken off from its place on; refused where there were too many."""
    before = sum(note.code in ("slip", "rezero") for note in cleaned.notes)
    if before >= MOST_JUMPS:
        return replace(cleaned, refused=True, notes=(*cleaned.notes, many_jumps_note(before + 1)))
    trace = cleaned.trace
    taken = np.zeros(len(trace))
    taken[found.after :] = found.by_um
    row = int(np.flatnonzero(cleaned.kept)[found.after])
    shown = float(trace.reading_um[found.after] + cleaned.corrected_um[found.after])
    moved = float(np.abs(np.diff(trace.reading_um[max(0, found.after - 4) : found.after])).max(initial=0.0))
    zero = is_zero(shown, found.by_um, moved, cleaned.noise_um, cleaned.resolution_um)
    place = f"reading {row + 1} ({trace.time_s[found.after]:.1f} s)"
    return replace(
        cleaned,
        trace=replace(trace, reading_um=trace.reading_um - taken),
        corrected_um=cleaned.corrected_um + taken,
        correction_standard_um=float(np.hypot(cleaned.correction_standard_um, found.standard_um)),
        notes=(*cleaned.notes, jump_note(place, found.by_um, found.standard_um, to_zero=zero)),
    )
