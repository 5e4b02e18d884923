"""Where the bore gauge was read, found from the trace alone.

A gauge is rocked through the bore's axis at each station: the diameter it spans is smallest where it stands
square, so every rocking has a turning point there, and these agree while the other ends of the swings do
not. Between two stations the gauge is held still. A self-centring gauge is not rocked but held at each
station. Which of the two it was shows in the trace.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.cleaning import noise_of, step_of
from analysis.levels import RestLevel, find_rest_levels
from analysis.trace import FloatArray, Trace

FEWEST_ROCKS = 2
HOLD_S = 0.5
PIECE_S = 0.15
FLICKER = 0.5
"""A reading at rest between two steps flickers: its standard deviation is up to half a step."""
REST_UM_S = 8.0
"""A held gauge creeps no faster; the slow ends of a swing do. (The travel from the air does not count.)"""
SAME_LEVEL = 3.0
"""Pieces of one rest differ by no more than this many standard deviations of a reading."""
FREE_UM = 500.0
"""A rest this far above the smallest level is the gauge out of the bore."""


@dataclass(frozen=True, slots=True)
class Station:
    """One place; `levels_um` are the turning points or, where held, the readings' mean alone.

    Attributes:
        level_um: diameter there minus the setting ring (as read, larger is wider).
        readings: turning points that agree, or readings at rest.
        spread_um: standard deviation of one of them; None with one.
        angle_deg: median of the angle column there; None without one.
    """

    level_um: float
    readings: int
    spread_um: float | None
    angle_deg: float | None


@dataclass(frozen=True, slots=True)
class Stations:
    """Stations in order of time, how they were found, and the grain of the readings.

    Attributes:
        turned_over: readings fall as the bore grows (found from the trace, or told).
    """

    found: tuple[Station, ...]
    method: Literal["rocked", "held", "none"]
    turned_over: bool
    noise_um: float
    step_um: float


def find_stations(trace: Trace, *, grows: bool | None = None) -> Stations:
    """Stations of a bore gauge's trace.

    Args:
        trace: rejected readings already left out.
        grows: whether the reading grows with the bore; None finds it from the rocking where that shows,
            and takes "grows" otherwise.
    """
    step = step_of(trace.reading_um, trace.resolution_um)
    noise = noise_of(trace.reading_um, step)
    rests = _rests(trace, max(noise, FLICKER * step))
    moves = _moves(rests, len(trace))
    turned = not grows if grows is not None else _turned_over(trace.reading_um, moves, noise, step)
    sign = -1.0 if turned else 1.0
    rocked = [s for move in moves if (s := _rocked(trace, sign, move, noise, step)) is not None]
    if rocked and 2 * len(rocked) >= len(moves):
        return Stations(tuple(rocked), "rocked", turned, noise, step)
    held = _held(trace, rests, sign)
    return Stations(held, "held" if held else "none", turned, noise, step)


def _rests(trace: Trace, noise: float) -> tuple[RestLevel, ...]:
    """Rests of half a second or more; one that chance has cut into short pieces is put together again."""
    pieces = find_rest_levels(
        trace.time_s, trace.reading_um, noise, shortest_s=PIECE_S, rest_speed_um_s=REST_UM_S
    )
    joined: list[RestLevel] = []
    for piece in pieces:
        before = joined[-1] if joined else None
        if (
            before is not None
            and piece.first - before.stop <= 1
            and abs(piece.level_um - before.level_um) <= SAME_LEVEL * noise
        ):
            joined[-1] = _together(trace, before, piece)
        else:
            joined.append(piece)
    return tuple(rest for rest in joined if rest.duration_s >= HOLD_S)


def _together(trace: Trace, one: RestLevel, other: RestLevel) -> RestLevel:
    y = trace.reading_um[one.first : other.stop]
    count = one.count + other.count
    level = (one.level_um * one.count + other.level_um * other.count) / count
    slope = (one.slope_um_s * one.count + other.slope_um_s * other.count) / count
    scatter, distinct = float(y.std(ddof=1)), int(np.unique(y).size)
    return RestLevel(one.first, other.stop, one.start_s, other.end_s, level, slope, scatter, distinct)


def _moves(rests: tuple[RestLevel, ...], size: int) -> list[slice]:
    """The stretches between rests, one reading of the rest on either side included."""
    edges = [0, *(edge for rest in rests for edge in (rest.first, rest.stop)), size]
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [slice(max(0, a - 1), min(size, b + 1)) for a, b in pairs if b - a >= 3]


def turning_points(value: FloatArray, least_swing: float) -> list[tuple[int, int, int]]:
    """Inner minima as (top before, bottom, top after), each at least `least_swing` below both tops."""
    found = []
    top_before, bottom, falling = 0, 0, True
    top = 0
    for i in range(1, value.size):
        if falling:
            if value[i] < value[bottom]:
                bottom = i
            elif value[i] > value[bottom] + least_swing:
                falling, top = False, i
        elif value[i] > value[top]:
            top = i
        elif value[i] < value[top] - least_swing:
            found.append((top_before, bottom, top))
            top_before, bottom, falling = top, i, True
    if not falling:
        found.append((top_before, bottom, top))
    return [(a, b, c) for a, b, c in found if value[a] - value[b] > least_swing]


def _least_swing(noise: float, step: float) -> float:
    return max(6.0 * noise, 2.5 * step)


def _bottom(time_s: FloatArray, value: FloatArray, points: tuple[int, int, int]) -> float:
    """Level of one turning point: a parabola through the lowest part of the swing, or its lowest reading."""
    before, bottom, after = points
    near = slice(before, after + 1)
    swing = min(value[before], value[after]) - value[bottom]
    low = value[near] <= value[bottom] + 0.35 * swing
    t, y = time_s[near][low] - time_s[bottom], value[near][low]
    if t.size < 5:
        return float(value[bottom])
    bent, slope, level = np.polyfit(t, y, 2)
    return float(level - slope * slope / (4.0 * bent)) if bent > 0.0 else float(value[bottom])


def _rocked(trace: Trace, sign: float, move: slice, noise: float, step: float) -> Station | None:
    value, time_s = sign * trace.reading_um[move], trace.time_s[move]
    points = turning_points(value, _least_swing(noise, step))
    if len(points) < FEWEST_ROCKS:
        return None
    levels = np.array([_bottom(time_s, value, each) for each in points])
    swing = float(np.median([min(value[a], value[c]) - value[b] for a, b, c in points]))
    near = np.abs(levels - np.median(levels)) <= max(_least_swing(noise, step), 0.25 * swing)
    if near.sum() < FEWEST_ROCKS:
        return None
    kept = levels[near]
    angle = None if trace.angle_deg is None else float(np.median(trace.angle_deg[move]))
    return Station(float(kept.mean()), int(kept.size), float(kept.std(ddof=1)), angle)


def _turned_over(reading_um: FloatArray, moves: list[slice], noise: float, step: float) -> bool:
    """The tops of the swings agree clearly better than the bottoms."""
    spread = [0.0, 0.0]
    for move in moves:
        for side, sign in enumerate((1.0, -1.0)):
            value = sign * reading_um[move]
            levels = [value[b] for _, b, _ in turning_points(value, _least_swing(noise, step))]
            if len(levels) >= FEWEST_ROCKS:
                spread[side] += float(np.ptp(levels))
    return spread[1] + 4.0 * noise + 2.0 * step < 0.5 * spread[0]


def _held(trace: Trace, rests: tuple[RestLevel, ...], sign: float) -> tuple[Station, ...]:
    if not rests:
        return ()
    lowest = min(sign * rest.level_um for rest in rests)
    stations = []
    for rest in rests:
        if sign * rest.level_um - lowest > FREE_UM:
            continue
        here = slice(rest.first, rest.stop)
        angle = None if trace.angle_deg is None else float(np.median(trace.angle_deg[here]))
        stations.append(Station(sign * rest.level_um, rest.count, rest.scatter_um, angle))
    return tuple(stations)
