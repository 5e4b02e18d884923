"""Turns from stops: the hub is turned to a stud, let rest, read, and turned on to the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from analysis.trace import FloatArray, IntArray
from analysis.values import Cleaned, Note, Setup, Turns

_SHORTEST_S = 0.6
_FEWEST_STOPS = 4
_FEWEST_UP_AND_DOWN = 7
_REST_SHARE = 0.5
_FLAT_SHARE = 0.6
_SOME_ON_THE_WAY = 0.1
_QUICK = 0.75  # way over rest
_MOST_PLACES = 12
_COME_BACK = 0.7  # confidence of a period with which levels come back, though not clearly
_NEXT_TO_STUD = 0.03  # of the spread of levels: what half a degree beside the stud makes, order 2 included
_SQUARE_SHARE = 0.75  # up and down with nothing between: no flange is so, turned by whatever hand
_SQUARE_QUICK = 0.35  # a sine needs 0.6 and more, see `_sine_quick`
_NOISIER = 2.5  # times the noise found from all differences, which is that of the calmest stretches
_FLAT = 2.2  # see `_flatness`: 1 for readings with nothing but noise; simulated: rests to 1.6, crests from 6
_LONG = 0.78  # times two usual rests and a way: one that long and not of one level is two or more
_TOUCHING = 0.3  # of a usual way
_SHORT = 0.6  # of a usual rest
_SEVERAL = 16.0  # of chi-squared with twice as many degrees of freedom as rests; by chance once in 20 000
_FAR = 0.5  # of the largest move between rests: a stroke, not a creep
_SAME = 0.2  # of the same: the level two rests ago
_TO_AND_FRO = 3  # so many rests in a row that are where the last but one was
_WAY = 0.4  # of a rest, where neither end of a way is seen
_QUICKER = 0.6  # times what a sine that is turned evenly needs from crest to trough, over its time at them


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
    Where the readings show their noise, the rests must be flat within it instead, which a crest never is.

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
    noise_um = _noise_at_rest(reading, width, noise_um)
    band = max(5.0 * noise_um, 1.01 * resolution_um)
    reach = maximum_filter1d(reading, width) - minimum_filter1d(reading, width)
    centre = (reach <= band).astype(np.int8)
    edges = np.diff(np.concatenate([[0], centre, [0]]))
    first = np.flatnonzero(edges == 1) - width // 2
    last = np.flatnonzero(edges == -1) - 1 + (width - 1) // 2
    first, last = np.maximum(first, 0), np.minimum(last, time_s.size - 1)
    share = float((last - first + 1).sum()) / time_s.size
    if first.size < _FEWEST_STOPS or share < _REST_SHARE:
        return None
    first, last = _parted(first, last, reading, band)
    if first.size < _FEWEST_STOPS:
        return None
    first, last = _without_crests(first, last, time_s)
    seen = _long_ones_parted(first, last, time_s, reading, noise_um)
    level = _levels(*seen, reading)
    if not _made_of_rests(*seen, level, time_s, reading, noise_um, band, resolution_um):
        return None
    # A long rest on one level is a pause, or two studs on a flat place: whichever lets the levels come back.
    parted = _long_ones_parted(*seen, time_s, reading, 0.0)
    again = _levels(*parted, reading)
    if _places(again, None, noise_um)[1] >= max(_places(level, None, noise_um)[1], _COME_BACK):
        return Stops(*parted, again)
    return Stops(*seen, level)


def _levels(first: IntArray, last: IntArray, reading: FloatArray) -> FloatArray:
    return np.array([np.mean(reading[a : b + 1]) for a, b in zip(first, last, strict=True)])


def _made_of_rests(
    first: IntArray,
    last: IntArray,
    level: FloatArray,
    time_s: FloatArray,
    reading: FloatArray,
    noise_um: float,
    band: float,
    step_um: float,
) -> bool:
    """Whether what looks like rests is rests; see `find_stops`."""
    share = float((last - first + 1).sum()) / time_s.size
    moving = float(np.median(time_s[first[1:]] - time_s[last[:-1]]))
    quick = moving / max(float(np.median(time_s[last] - time_s[first])), 1e-9)
    apart = float(np.median(np.abs(np.diff(level)))) / band
    on_the_way = _on_the_way(level, max(2.5 * step_um, band))
    flat = _flatness(first, last, reading, step_um)
    if flat is None:
        rests = [reading[a : b + 1] for a, b in zip(first, last, strict=True)]
        creep = float(np.median([_creep(rest) for rest in rests])) / noise_um
        wide = apart > 4.5 and share > 0.65 and quick < 0.55 and creep < 0.9
        near = apart > 2.5 and share > 0.8 and quick < 0.3 and creep < 0.5
        square = (
            first.size > _FEWEST_STOPS and apart > 4.5 and share > _SQUARE_SHARE and quick < _SQUARE_QUICK
        )
        return (on_the_way > 0 and (wide or near)) or square
    if flat > _FLAT or share < _FLAT_SHARE or quick > _QUICK:
        return False
    if on_the_way >= _SOME_ON_THE_WAY * first.size:
        return apart > 2.5
    # Levels that only go up and down are also what a slow hand makes of crests and troughs.
    return first.size >= _FEWEST_UP_AND_DOWN and apart > 4.5 and quick < _QUICKER * _sine_quick(apart)


def _noise_at_rest(reading: FloatArray, width: int, noise_um: float) -> float:
    """Noise of a reading while the hub rests: the usual scatter of the calmer half of the windows."""
    mean = uniform_filter1d(reading - reading.mean(), width)
    square = uniform_filter1d((reading - reading.mean()) ** 2, width)
    scatter = np.sqrt(np.maximum(square - mean**2, 0.0))
    usual = float(np.quantile(scatter, 0.25)) * 1.08  # the calmer half of the windows at rest
    return min(max(noise_um, usual), _NOISIER * noise_um)


def _flatness(first: IntArray, last: IntArray, reading: FloatArray, step_um: float) -> float | None:
    """Median over the rests of the mean square of slope and bend, each over its variance by noise alone.

    None where the readings are rounded so coarsely that a rest shows one value only: they cannot say.
    """
    cores, squares, freedom = [], 0.0, 0
    for a, b in zip(first, last, strict=True):
        edge = max(1, (b - a + 1) // 8)
        core = reading[a + edge : b + 1 - edge]
        if core.size < 6:
            return None
        basis = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, core.size), 3, increasing=True))[0]
        part = basis.T @ core
        cores.append(0.5 * float(part[1] ** 2 + part[2] ** 2))
        squares += float(core @ core) - float(part @ part)
        freedom += core.size - 3
    variance = squares / max(freedom, 1)
    if variance < (0.2 * step_um) ** 2:
        return None
    return float(np.median(cores)) / max(variance, step_um**2 / 12.0)


def _sine_quick(apart: float) -> float:
    """Time on the way over time within a band at either end, of a sine whose ends are `apart` bands apart."""
    ends = float(np.arccos(1.0 - 2.0 / max(apart, 2.0)))
    return (np.pi - 2.0 * ends) / (2.0 * ends)


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


def _without_crests(first: IntArray, last: IntArray, time_s: FloatArray) -> tuple[IntArray, IntArray]:
    """Rests without the short ones that touch both neighbours: crests that a quick way goes over."""
    rest_s = time_s[last] - time_s[first]
    way_s = time_s[first[1:]] - time_s[last[:-1]]
    touching = way_s < _TOUCHING * float(np.median(way_s))
    crest = np.zeros(first.size, dtype=np.bool_)
    crest[1:-1] = touching[:-1] & touching[1:] & (rest_s[1:-1] < _SHORT * float(np.median(rest_s)))
    return first[~crest], last[~crest]


def _long_ones_parted(
    first: IntArray, last: IntArray, time_s: FloatArray, reading: FloatArray, noise_um: float
) -> tuple[IntArray, IntArray]:
    """Rests as long as two or more with ways between them, cut where their readings are not of one level.

    On a flat place of the flange the way from one stud to the next stays within the band. With no noise
    every long one is cut but the first and the last, in which the hand waits.
    """
    rest_s = float(np.median(time_s[last] - time_s[first]))
    way_s = float(np.median(time_s[first[1:]] - time_s[last[:-1]]))
    firsts: list[int] = []
    lasts: list[int] = []
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        long_s = float(time_s[b] - time_s[a])
        count = max(2, round((long_s + way_s) / (rest_s + way_s)))
        waits = noise_um == 0.0 and (a == first[0] or b == last[-1])
        long = long_s > _LONG * (2.0 * rest_s + way_s) and not waits
        if long and _several_levels(reading[a : b + 1], count, noise_um):
            cell = (b + 1 - a) / (count * (1.0 + _WAY) - _WAY)
            begins = a + (1.0 + _WAY) * cell * np.arange(count)
            firsts += begins.astype(np.intp).tolist()
            lasts += [*(begins[:-1] + cell).astype(np.intp).tolist(), b]
        else:
            firsts.append(a)
            lasts.append(b)
    return np.asarray(firsts, dtype=np.intp), np.asarray(lasts, dtype=np.intp)


def _several_levels(rest: FloatArray, count: int, noise_um: float) -> bool:
    """Whether pieces of a stretch differ more than noise lets them: at each rest, and midway between two."""
    pieces = np.array_split(rest, 2 * count - 1)
    mean = np.array([float(np.mean(piece)) for piece in pieces])
    size = np.array([piece.size for piece in pieces])
    off = mean - float(size @ mean) / float(size.sum())
    return float(size @ off**2) > (_SEVERAL + 4.0 * count) * noise_um**2


def from_stops(cleaned: Cleaned, setup: Setup, stops: Stops) -> Turns:
    """Turns counted by stops; without a total when the levels do not say how many stops make a turn."""
    places, confidence = _places(stops.level_um, setup.studs, cleaned.noise_um)
    count = len(stops)
    if _to_and_fro(stops.level_um) or (places == 3 and setup.studs != 3):
        note = Note(
            "to_and_fro",
            "The rests come back to two or three levels, as when a hub is pushed, pulled and let go; nothing "
            "says that it was turned.",
        )
        return Turns(None, 0, "none", np.empty(0), 0.0, notes=(note,))
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


def _to_and_fro(level: FloatArray) -> bool:
    """Whether the rests only change between two levels: strokes of end play make such a trace.

    So does a flange with two highs and nothing else that is read at four stops; no reading tells the two
    apart, and a verdict on strokes would be of another thing altogether. Strokes with the hands let go in
    between come back to three levels, as stops do on a hub with three studs.
    """
    move = np.abs(np.diff(level))
    far = move > _FAR * move.max()
    same = np.abs(level[2:] - level[:-2]) < _SAME * move.max()
    row = longest = 0
    for one in far[:-1] & far[1:] & same:
        row = row + 1 if one else 0
        longest = max(longest, row)
    return longest >= _TO_AND_FRO


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
    like = 1.3 * off[best] + noise + _NEXT_TO_STUD * spread
    best = next((one for one in periods if best % one == 0 and off[one] < like), best)
    rivals = [off[one] for one in periods if one % best]
    clear = off[best] / min(rivals, default=spread)
    if level.size - best < 2 or off[best] > 0.6 * spread or clear > 0.7:
        return None, 0.0
    return best, 0.92 if clear < 0.35 and level.size - best >= max(3, best // 2) else _COME_BACK


def _others(level: FloatArray, places: int) -> tuple[float, ...]:
    periods = [one for one in range(3, min(_MOST_PLACES, level.size) + 1) if one != places]
    periods.sort(key=lambda one: _again(level, one) or 0.0)
    return tuple(round((level.size - 1) / one, 2) for one in periods[:2])
