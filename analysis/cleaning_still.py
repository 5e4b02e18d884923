"""Stretches in which the readings do not change: the hub at rest, or an indicator that is stuck."""

from __future__ import annotations

import numpy as np

from analysis.trace import BoolArray, FloatArray

_FEWEST = 5
_STUCK_READINGS = 5
_FEWEST_AFTER = 3
_REACH = 1.3
_FAR = 0.98
_COARSE_BANDS = 12.0
_HELD_READINGS = 12
_HELD_S = 1.4


def idle_ends(reading_um: FloatArray, noise_um: float, resolution_um: float) -> tuple[int, int]:
    """Readings at rest before the hub first moves and after it has stopped (0 when not longer than usual).

    At an extreme of a turned flange readings also stay within a step for a while: a rest counts only when
    it is clearly longer than any stretch like it inside the trace. Shorter ones stay in: how much of them
    was rest is weighed later, beside the profile.
    """
    if reading_um.size < 3 * _FEWEST:
        return 0, 0
    band = max(4.0 * noise_um, 1.01 * resolution_um)
    lead = _still_from_start(reading_um, band)
    tail = _still_from_start(reading_um[::-1], band)
    if lead + tail >= reading_um.size:
        return 0, 0
    surely = 1.5 if np.ptp(reading_um) > _COARSE_BANDS * band else 2.5
    inside = reading_um[lead : reading_um.size - tail]
    usual = max(3 * _FEWEST, int(surely * _longest_rest(inside, band)))
    near = max(noise_um, 0.35 * resolution_um)
    return (
        _rest_end(reading_um[:lead], near) if lead > usual else 0,
        _rest_end(reading_um[::-1][:tail], near) if tail > usual else 0,
    )


def longest_blind_s(
    time_s: FloatArray, reading_um: FloatArray, resolution_um: float, noise_um: float
) -> float:
    """The longest time without news of the hub: a gap, or one reading held where readings else flicker.

    A clock that jumped is such a gap as well; the readings on either side then agree.
    """
    gap = np.diff(time_s)
    moved = np.abs(np.diff(reading_um)) > max(3.0 * noise_um, 1.01 * resolution_um)
    longest = float(np.max(gap[moved], initial=0.0))
    if np.ptp(reading_um) < _COARSE_BANDS * 1.01 * resolution_um:
        return longest
    change = np.flatnonzero(np.concatenate([[True], np.diff(reading_um) != 0.0, [True]]))
    first, last = change[:-1], change[1:] - 1
    long = last - first >= _HELD_READINGS
    held = time_s[last[long]] - time_s[first[long]]
    return max(longest, float(np.max(held[held > _HELD_S], initial=0.0)))


def _rest_end(still: FloatArray, near: float) -> int:
    """Readings of a still stretch until it begins to leave its level: a hub starts slowly."""
    level = float(np.median(still[: max(3, still.size // 2)]))
    mean = np.convolve(still, np.ones(3) / 3.0, mode="valid")
    at_level = np.flatnonzero(np.abs(mean - level) <= near)
    return int(at_level[-1]) + 2 if at_level.size else 0


def _still_from_start(reading: FloatArray, band: float) -> int:
    """How many readings from the start stay within a range of `band`."""
    high = np.maximum.accumulate(reading)
    low = np.minimum.accumulate(reading)
    return int(np.searchsorted(high - low, band, side="right"))


def _longest_rest(reading: FloatArray, band: float) -> int:
    """Readings in the longest stretch that stays within `band`; large traces are looked at in strides."""
    stride = max(1, reading.size // 1500)
    low = high = np.inf
    longest = length = 0
    for value in reading[::stride].tolist():
        low, high = min(low, value), max(high, value)
        if length == 0 or high - low > band:
            low = high = value
            length = 0
        length += 1
        longest = max(longest, length)
    return longest * stride


def stuck(reading_um: FloatArray, noise_um: float, resolution_um: float) -> BoolArray:
    """True for readings that repeat the one before while the plunger moved on unseen.

    A hub at rest also repeats its reading, but goes on from there; an indicator that was stuck catches up
    with a jump. The jump must stand out from the differences on either side, but be no longer than the way
    that the plunger makes elsewhere in that time, and the plunger must go on after it: at a rest a holder
    slips or the plunger hops as well.
    """
    size = reading_um.size
    held = np.zeros(size, dtype=np.bool_)
    difference = np.diff(reading_um)
    same = np.concatenate([[False], difference == 0.0, [False]]).astype(np.int8)
    edges = np.diff(same)
    firsts, lasts = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    # Readings first .. last are equal; the jump leads to last + 1.
    long = (lasts - firsts >= _STUCK_READINGS) & (lasts + 1 < size)
    firsts, lasts = firsts[long], lasts[long]
    if not firsts.size:
        return held
    usual = float(np.quantile(np.abs(difference), 0.9))
    limit = max(4.0 * resolution_um, 6.0 * noise_um, 2.0 * usual)
    far = np.abs(difference[lasts]) > limit
    for first, last in zip(firsts[far].tolist(), lasts[far].tolist(), strict=True):
        jump = abs(float(difference[last]))
        beside = float(np.max(np.abs(difference[last + 1 : last + 5]), initial=0.0))
        after = reading_um[last + 1 : last + 1 + max(_FEWEST_AFTER, 3 * (last - first) // 4)]
        goes_on = float(np.ptp(after)) > max(1.01 * resolution_um, 4.0 * noise_um)
        if goes_on and jump > 2.0 * beside and jump < _REACH * _way(reading_um, first, last + 1):
            held[first + 1 : last + 1] = True
    return held


def _way(reading_um: FloatArray, first: int, last: int) -> float:
    """How far the plunger goes in the readings from `first` to `last` elsewhere, where it goes far."""
    readings = last - first
    way = np.abs(reading_um[readings:] - reading_um[:-readings])
    # None that reaches over the jump itself.
    elsewhere = np.concatenate([way[:first], way[last:]])
    return float(np.quantile(elsewhere, _FAR)) if elsewhere.size else 0.0
