"""What a fit says besides the count: counts it cannot tell apart, drift, slow motion of a worn bearing."""

from __future__ import annotations

import numpy as np

from analysis.trace import FloatArray
from analysis.turns.marked import FASTEST_TURN_S
from analysis.turns.state_answers import slow_terms, wave_standards, waves
from analysis.turns.state_fit import Fit
from analysis.values import Note

_SEEN = 3.3
_SMALL_SHARE = 0.12
_LEAST_UM = 2.0
_SADDLE_SHARE = 0.4
_FAR_OFF = 0.6
_BLOCKS = 40
_FLAT = 0.8
_WORN_CAGE_UM = 1.0
"""The cage of a sound bearing wobbles too, by tenths of a micrometre: no reason to speak of wear."""
_HALF_IS_ENOUGH = 4.2
_HIGH = 3
_MORE_THAN_TILT = 2.0
_SLOW_TURN_S = 9.0
"""Hands mostly take 3 to 8 s for a turn (our choice, no published source)."""


def alias_of(one: Fit) -> float | None:
    """Another count that fits as well whatever the readings, or None.

    A profile that shows nothing but order 1, or hardly more, may be order 2 of half as many turns, and one
    that shows only even orders may be that of twice as many turns with half the orders.
    """
    size = waves(one)
    seen = _seen(size, wave_standards(one), float(np.mean(one.problem.sigma_um)))
    if not seen.any():
        return None
    if not seen[0::2].any():
        return 2.0 * one.total
    if not seen[2:].any() and size[1] < _SADDLE_SHARE * size[0]:
        return 0.5 * one.total
    return None


def many_of(one: Fit) -> float | None:
    """Many more turns that few with one strong high order may be, if hands turn so fast; else None.

    Over 40 even turns the trace repeats every 20 of them too, with order 20 and no tilt: a flange has tilt.
    """
    size = waves(one)
    order = int(np.argmax(size)) + 1
    if order < _HIGH or size[order - 1] < _MORE_THAN_TILT * float(size[:2].max()):
        return None
    many = order * one.total
    span_s = float(one.problem.time_s[-1] - one.problem.time_s[0])
    return many if span_s > FASTEST_TURN_S * many else None


def hurried(one: Fit) -> bool:
    """Whether half as many turns of an even surface are enough, and no slower than hands turn.

    A surface with even orders alone is rare, but nothing in the readings speaks against it.
    """
    return one.total > _HALF_IS_ENOUGH and not dawdled(one, 0.5 * one.total)


def dawdled(one: Fit, total: float) -> bool:
    """Whether in `total` turns each would have taken longer than hands take."""
    return float(one.problem.time_s[-1] - one.problem.time_s[0]) / total > _SLOW_TURN_S


def plausible(total: float, usual: float) -> bool:
    """Whether a technician who was asked for `usual` turns may well have made `total`."""
    return bool(abs(np.log(total / usual)) < _FAR_OFF)


def is_flat(reading_um: FloatArray, noise_um: float) -> bool:
    """Whether what is left of the readings after averaging is no more than their noise."""
    block = max(1, reading_um.size // _BLOCKS)
    size = reading_um.size // block * block
    return bool(np.std(reading_um[:size].reshape(-1, block).mean(axis=1)) < _FLAT * noise_um)


def _seen(size: FloatArray, standard: FloatArray, noise: float) -> np.ndarray:
    strong = size > max(_SMALL_SHARE * float(size.max()), noise)
    return (size > _SEEN * standard) & (strong | (size > 5.0 * standard))


def slow_notes(one: Fit) -> tuple[Note, ...]:
    """Drift, curved drift and slow motion beside the turns, where they stand out."""
    slow = slow_terms(one)
    notes = []
    if abs(slow.drift_um) > max(3.0 * slow.drift_standard_um, _LEAST_UM):
        notes.append(Note("drift", f"The readings drift by {slow.drift_um:+.1f} um from first to last."))
    if abs(slow.bow_um) > max(3.0 * slow.bow_standard_um, _LEAST_UM):
        notes.append(
            Note("curved_drift", f"The drift is curved: {slow.bow_um:+.1f} um from the chord half-way.")
        )
    if slow.cage_um is not None and slow.cage_um >= _WORN_CAGE_UM:
        notes.append(
            Note(
                "slow_motion",
                f"A slow motion of {slow.cage_um:.1f} um (amplitude) at 0.40 to 0.46 per turn does not "
                "repeat with the hub, as the cage of a worn bearing makes it.",
            )
        )
    return tuple(notes)
