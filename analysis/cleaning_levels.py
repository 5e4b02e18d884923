"""Sudden changes of level in a trace: a hop of the plunger, a slip of the holder, a re-zero, a unit switched.

All are found the same way, as a difference between neighbours that stands out from the differences about
it; what the readings do afterwards tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from analysis.trace import FloatArray, IntArray
from analysis.values import Note

INCH = 25.4
MOST_JUMPS = 3
"""More changes of level than this in one run, and it is refused."""
_BESIDE = 4
_LONG_GAP = 1.6
_HOP_READINGS = 6
_HOP_S = 0.9


@dataclass(frozen=True, slots=True)
class Jump:
    """A level that changed for good between two readings.

    Attributes:
        after: index of the first reading after it.
        by_um: how much higher the readings lie from there on, from the readings beside it alone.
        standard_um: its standard uncertainty.
        to_zero: the first reading after it is about 0, as a zero key leaves it.
    """

    after: int
    by_um: float
    standard_um: float
    to_zero: bool


def jumps(time_s: FloatArray, reading_um: FloatArray, noise_um: float, resolution_um: float) -> list[Jump]:
    """Differences that stand out from the eight about them, in order; none over a gap in time.

    A difference counts when it exceeds the median of its neighbours by more than five steps of the
    indicator, six standard deviations, and 2.2 times the largest departure among the neighbours.
    """
    difference = np.diff(reading_um)
    if difference.size < 2 * _BESIDE + 1:
        return []
    least = max(5.0 * resolution_um, 6.0 * np.sqrt(2.0) * noise_um)
    # Only a large difference can stand out: in a long calm trace none has to be looked at.
    large = np.abs(difference) > 0.6 * least
    if not large.any():
        return []
    gap = np.diff(time_s)
    usual_s = float(np.median(gap))
    # Where readings were set aside the plunger has gone on for as much longer.
    longer = np.where(gap > _LONG_GAP * usual_s, gap / usual_s, 1.0)
    places = np.flatnonzero(large & (gap < 5.5 * usual_s))
    each = difference / longer
    window = sliding_window_view(np.pad(each, _BESIDE, mode="reflect"), 2 * _BESIDE + 1)[places]
    others = np.delete(window, _BESIDE, axis=1)
    usual = np.median(others, axis=1)
    excess = difference[places] - longer[places] * usual
    # The second largest departure: a neighbour may belong to the same change.
    beside = longer[places] * np.sort(np.abs(others - usual[:, None]), axis=1)[:, -2]
    limit = np.maximum(least, 2.2 * beside)
    found = []
    for index in np.flatnonzero(np.abs(excess) > limit):
        after = float(reading_um[places[index] + 1])
        size = abs(float(excess[index]))
        # The zero key is pressed between two readings: by the next the plunger has moved on.
        moved = abs(float(usual[index])) + float(beside[index])
        found.append(
            Jump(
                after=int(places[index] + 1),
                by_um=float(excess[index]),
                standard_um=float(np.hypot(np.std(others[index]), np.sqrt(2.0) * noise_um)),
                to_zero=is_zero(after, size, moved, noise_um, resolution_um),
            )
        )
    return found


def is_zero(after_um: float, by_um: float, moved_um: float, noise_um: float, resolution_um: float) -> bool:
    """Whether the first reading after a change of level by `by_um` is what a zero key leaves.

    Args:
        after_um: that reading.
        by_um: size of the change.
        moved_um: how far readings there move from one to the next.
        noise_um: noise of one reading.
        resolution_um: step of the indicator.
    """
    near = abs(after_um) <= max(2.0 * resolution_um, 4.0 * noise_um, 0.02 * abs(by_um), moved_um)
    return near and abs(by_um) > 10.0 * max(resolution_um, noise_um)


def jump_note(place: str, by_um: float, standard_um: float, *, to_zero: bool) -> Note:
    """What is said of a change of level that was taken off."""
    taken = f"{by_um:+.1f} um were taken off from there on, known to {standard_um:.1f} um (standard)."
    if to_zero:
        return Note("rezero", f"The indicator was re-zeroed at {place}: {taken}")
    return Note("slip", f"The level jumps at {place}, as when the holder slips: {taken}")


def many_jumps_note(count: int) -> Note:
    """What is said of a run that is refused for its jumps."""
    text = f"The level jumps {count} times: the holder or the plunger is loose. The run is refused."
    return Note("many_jumps", text)


def hops(found: list[Jump], time_s: FloatArray) -> tuple[list[Jump], IntArray]:
    """The jumps that last, and the indices of the readings in excursions that soon come back.

    Jumps that follow each other within a few readings belong together: their sum is what lasts.
    """
    lasting: list[Jump] = []
    away: list[int] = []
    for group in _together(found, time_s):
        first, last = group[0], group[-1]
        away.extend(range(first.after, last.after))
        net = sum(one.by_um for one in group)
        largest = max(abs(one.by_um) for one in group)
        if len(group) == 1 or abs(net) > 0.35 * largest:
            standard = float(np.sqrt(sum(one.standard_um**2 for one in group)))
            lasting.append(Jump(last.after, float(net), standard, last.to_zero))
    return lasting, np.asarray(away, dtype=np.intp)


def _together(found: list[Jump], time_s: FloatArray) -> list[list[Jump]]:
    groups: list[list[Jump]] = []
    for one in found:
        if groups:
            before = groups[-1][-1].after
            near = one.after - before <= _HOP_READINGS and time_s[one.after] - time_s[before] <= _HOP_S
            if near or one.after - before <= 2:
                groups[-1].append(one)
                continue
        groups.append([one])
    return groups


def unit_factor(reading_um: FloatArray, at: int) -> float | None:
    """What the readings from `at` on must be multiplied by to go on as before: 25.4, 1/25.4, or None.

    The value must jump by that factor, and the readings must move by as much less (or more) afterwards.
    """
    before, after = reading_um[:at], reading_um[at:]
    if min(before.size, after.size) < 6:
        return None
    moved_before = float(np.mean(np.abs(np.diff(before))))
    moved_after = float(np.mean(np.abs(np.diff(after))))
    for factor in (INCH, 1.0 / INCH):
        gap = abs(float(after[0]) * factor - float(before[-1]))
        reach = 4.0 * max(moved_before, moved_after * factor)
        alike = moved_before / 4.0 < moved_after * factor < moved_before * 4.0
        if alike and gap <= reach + 0.01 * abs(float(before[-1])):
            return factor
    return None


def switch_without_jump(reading_um: FloatArray) -> int | None:
    """Where the readings begin to move 25.4 times less or more although no level jumps; None when nowhere.

    Near a reading of 0 a switched unit leaves no jump; the movement still changes at once and for good.
    """
    if reading_um.size < 60:
        return None
    moved = np.log(np.abs(np.diff(reading_um)) + 1e-3)
    total = np.cumsum(moved)
    count = np.arange(1, moved.size)
    left = total[:-1] / count
    right = (total[-1] - total[:-1]) / (moved.size - count)
    weight = count * (moved.size - count)
    gain = weight * (left - right) ** 2
    at = int(np.argmax(gain[20:-20])) + 21
    ratio = abs(float(left[at - 1] - right[at - 1]))
    return at if abs(ratio - np.log(INCH)) < 0.7 else None
