"""Turns from stops: the hub is turned to a stud, let rest, read, and turned on to the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from analysis.trace import FloatArray, IntArray
from analysis.values import Cleaned, Note, Setup, Turns

_SHORTEST_S = 0.6
_FEWEST_STOPS = 4
_REST_SHARE = 0.5
_MOST_PLACES = 12


@dataclass(frozen=True, slots=True, eq=False)
class Stops:
    """Rests of a trace in order: first and last index of each (inclusive), and its mean reading in um."""

    first: IntArray
    last: IntArray
    level_um: FloatArray

    def __len__(self) -> int:
        return int(self.first.size)


def find_stops(
    time_s: FloatArray, reading: FloatArray, noise_um: float, resolution_um: float
) -> Stops | None:
    """The rests, when the trace is made of rests with quick moves between them; None otherwise.

    A slowly turned flange also stays near one reading for a while, at its high and low spots and, in coarse
    steps, anywhere. A hub at rest does not creep within such a while, most of the time is rest, the moves
    are quick and go far, and some rests lie half-way. The nearer the levels, the clearer the rest must be.

    Args:
        time_s: (n,) s.
        reading: (n,) um.
        noise_um: noise of one reading.
        resolution_um: step of the indicator.
    """
    if time_s.size < 20:
        return None
    usual = float(np.median(np.diff(time_s)))
    width = max(4, int(np.ceil(_SHORTEST_S / max(usual, 1e-9))))
    if width > time_s.size // 6:
        return None
    band = max(5.0 * noise_um, 1.01 * resolution_um)
    reach = maximum_filter1d(reading, width) - minimum_filter1d(reading, width)
    centre = (reach <= band).astype(np.int8)
    edges = np.diff(np.concatenate([[0], centre, [0]]))
    first = np.flatnonzero(edges == 1) - width // 2
    last = np.flatnonzero(edges == -1) - 1 + (width - 1) // 2
    first, last = np.maximum(first, 0), np.minimum(last, time_s.size - 1)
    if first.size < _FEWEST_STOPS or float((last - first + 1).sum()) < _REST_SHARE * time_s.size:
        return None
    first, last = _parted(first, last, reading, band)
    if first.size < _FEWEST_STOPS:
        return None
    level = np.array([np.mean(reading[a : b + 1]) for a, b in zip(first, last, strict=True)])
    share = float((last - first + 1).sum()) / time_s.size
    moving = float(np.median(time_s[first[1:]] - time_s[last[:-1]]))
    quick = moving / max(float(np.median(time_s[last] - time_s[first])), 1e-9)
    apart = float(np.median(np.abs(np.diff(level)))) / band
    creep = (
        float(np.median([_creep(reading[a : b + 1]) for a, b in zip(first, last, strict=True)])) / noise_um
    )
    wide = apart > 4.5 and share > 0.65 and quick < 0.55 and creep < 0.9
    near = apart > 2.5 and share > 0.8 and quick < 0.3 and creep < 0.5
    if not (wide or near) or _on_the_way(level, max(2.5 * resolution_um, band)) < 1:
        return None
    return Stops(first, last, level)


def _on_the_way(level: FloatArray, far: float) -> int:
    """How many rests lie on the way from the level before to the level after, at least `far` from both.

    A hub that is turned without stopping seems to rest at its high and low spots, never between them.
    """
    before, after = np.diff(level)[:-1], np.diff(level)[1:]
    return int(np.count_nonzero((before * after > 0.0) & (np.minimum(np.abs(before), np.abs(after)) > far)))


def _creep(rest: FloatArray) -> float:
    """Difference between the second and the first half of a rest, um."""
    half = rest.size // 2
    return abs(float(np.mean(rest[half:]) - np.mean(rest[:half])))


def _parted(first: IntArray, last: IntArray, reading: FloatArray, band: float) -> tuple[IntArray, IntArray]:
    """Rests that overlap, cut where the reading changes between them; rests on one level in a row joined."""
    firsts: list[int] = []
    lasts: list[int] = []
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        if lasts and a <= lasts[-1]:
            a = lasts[-1] + 1
        if b - a < 3:
            continue
        if lasts:
            apart = abs(float(np.median(reading[a : b + 1]) - np.median(reading[firsts[-1] : lasts[-1] + 1])))
            between = reading[lasts[-1] : a + 1]
            if apart <= band and float(np.ptp(between)) <= 1.5 * band:
                lasts[-1] = b
                continue
        firsts.append(a)
        lasts.append(b)
    return np.asarray(firsts, dtype=np.intp), np.asarray(lasts, dtype=np.intp)


def from_stops(cleaned: Cleaned, setup: Setup, stops: Stops) -> Turns:
    """Turns counted by stops; without a total when the levels do not say how many stops make a turn."""
    places, confidence = _places(stops.level_um, setup.studs, cleaned.noise_um)
    count = len(stops)
    if places is None:
        note = Note(
            "stops_not_counted",
            f"The hub rested {count} times, but its levels do not come back; without the number of studs the "
            "turns cannot be counted.",
        )
        return Turns(None, 0, "none", np.empty(0), 0.0, notes=(note,))
    angle = np.full(len(cleaned.trace), np.nan)
    for index, (a, b) in enumerate(zip(stops.first, stops.last, strict=True)):
        angle[a : b + 1] = 360.0 * index / places
    time_s = cleaned.trace.time_s
    middle = 0.5 * (time_s[stops.first] + time_s[stops.last])
    complete = count // places
    begins = [float(middle[turn * places]) for turn in range(complete)]
    ends = float(middle[complete * places]) if complete * places < count else float(time_s[stops.last[-1]])
    return Turns(
        total=(count - 1) / places,
        complete=complete,
        found_by="stops",
        starts_s=np.array([*begins, ends]) if complete else np.empty(0),
        confidence=confidence,
        alternatives=() if confidence >= 0.8 else _others(stops.level_um, places),
        angle_deg=angle,
        angle_standard_deg=3.0,
        at_least_once=count >= places and confidence >= 0.8,
        notes=(Note("stops", f"The hub rested {count} times; {places} stops make a turn."),),
    )


def _again(level: FloatArray, places: int) -> float | None:
    """Root mean square difference of levels one turn apart; None where no place was visited twice."""
    if level.size <= places:
        return None
    return float(np.sqrt(np.mean((level[places:] - level[:-places]) ** 2)))


def _places(level: FloatArray, studs: int | None, noise: float) -> tuple[int | None, float]:
    """Stops in a turn, and how sure that is.

    The stud count where it is known and nothing speaks against it, else the period with which the levels
    come back. A worn bearing or a drifting holder keeps them from coming back closely.
    """
    # Two levels drawn at random differ by the square root of two of their spread.
    spread = np.sqrt(2.0) * float(np.std(level))
    periods = range(3, min(_MOST_PLACES, level.size - 1) + 1)
    off = {places: (_again(level, places) or 0.0) + 0.5 * noise for places in periods}
    if studs is not None and level.size >= studs:
        if studs not in off:
            return studs, 0.85
        if off[studs] < max(0.75 * spread, 4.0 * noise):
            return studs, 0.97 if off[studs] < max(0.3 * spread, 4.0 * noise) else 0.85
    if not off:
        return None, 0.0
    best = min(off, key=lambda places: off[places] * (1.0 + 1.0 / (level.size - places)))
    # Twice the period comes back as well: of two that are about as good the shorter is meant.
    best = next((one for one in periods if best % one == 0 and off[one] < 1.3 * off[best] + noise), best)
    rivals = [off[one] for one in periods if one % best]
    clear = off[best] / min(rivals, default=spread)
    if level.size - best < 2 or off[best] > 0.6 * spread or clear > 0.7:
        return None, 0.0
    return best, 0.92 if clear < 0.35 and level.size - best >= 3 else 0.7


def _others(level: FloatArray, places: int) -> tuple[float, ...]:
    periods = [one for one in range(3, min(_MOST_PLACES, level.size) + 1) if one != places]
    periods.sort(key=lambda one: _again(level, one) or 0.0)
    return tuple(round((level.size - 1) / one, 2) for one in periods[:2])
