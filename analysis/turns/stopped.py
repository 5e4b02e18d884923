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

    A slowly turned flange read in coarse steps also stays on one reading for a while; there neighbouring
    levels are one step apart, and between stops they are not.

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
    between = np.abs(np.diff(level))
    if float(np.median(between)) < max(2.5 * resolution_um, 5.0 * noise_um):
        return None
    # Between two stops the hub moves on: rests in a row without a move would be one stop.
    moving = time_s[first[1:]] - time_s[last[:-1]]
    resting = time_s[last] - time_s[first]
    if float(np.median(moving)) > 1.5 * float(np.median(resting)):
        return None
    return Stops(first, last, level)


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


def from_stops(cleaned: Cleaned, setup: Setup, stops: Stops) -> Turns | None:
    """Turns counted by stops; None when the levels do not say how many stops make a turn."""
    places, known = _places(stops.level_um, setup.studs, cleaned.noise_um)
    if places is None:
        return None
    count = len(stops)
    total = (count - 1) / places
    angle = np.full(len(cleaned.trace), np.nan)
    for index, (a, b) in enumerate(zip(stops.first, stops.last, strict=True)):
        angle[a : b + 1] = 360.0 * index / places
    time_s = cleaned.trace.time_s
    middle = 0.5 * (time_s[stops.first] + time_s[stops.last])
    complete = count // places
    begins = [float(middle[turn * places]) for turn in range(complete)]
    ends = float(middle[complete * places]) if complete * places < count else float(time_s[stops.last[-1]])
    again = _again(stops.level_um, places)
    agrees = again is None or again < 0.4 * float(np.std(stops.level_um))
    confidence = (0.97 if known else 0.9) if agrees and again is not None else (0.85 if known else 0.6)
    if not agrees:
        confidence = 0.4
    note = Note("stops", f"The hub rested {count} times; {places} stops make a turn.")
    return Turns(
        total=total,
        complete=complete,
        found_by="stops",
        starts_s=np.array([*begins, ends]) if complete else np.empty(0),
        confidence=confidence,
        alternatives=() if confidence >= 0.8 else _others(stops.level_um, places),
        angle_deg=angle,
        angle_standard_deg=3.0,
        at_least_once=count >= places and agrees,
        notes=(note,),
    )


def _again(level: FloatArray, places: int) -> float | None:
    """Root mean square difference of levels one turn apart; None where no place was visited twice."""
    if level.size <= places:
        return None
    return float(np.sqrt(np.mean((level[places:] - level[:-places]) ** 2)))


def _places(level: FloatArray, studs: int | None, noise: float) -> tuple[int | None, bool]:
    """Stops in a turn: the stud count where it is known and fits, else the period of the levels."""
    spread = float(np.std(level))
    if studs is not None and level.size >= studs:
        again = _again(level, studs)
        if again is None or again < max(0.4 * spread, 4.0 * noise):
            return studs, True
    best: tuple[float, int] | None = None
    for places in range(3, min(_MOST_PLACES, level.size - 1) + 1):
        again = _again(level, places)
        # A period that only the last level confirms may be chance: it must be closer.
        pairs = level.size - places
        if again is None or again > (0.3 if pairs >= 3 else 0.15) * spread + 2.0 * noise:
            continue
        if best is None or again < 0.5 * best[0] - noise:
            best = (again, places)
    return (best[1], False) if best is not None else (None, False)


def _others(level: FloatArray, places: int) -> tuple[float, ...]:
    spread = float(np.std(level))
    found = []
    for other in range(3, min(_MOST_PLACES, level.size) + 1):
        again = _again(level, other)
        if other != places and (again is None or again < 0.5 * spread):
            found.append(round((level.size - 1) / other, 2))
    return tuple(found[:3])
