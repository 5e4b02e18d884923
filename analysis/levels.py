"""Rest levels: the stretches of a trace in which the hub stood still, and the level of each.

The trace is cut into straight pieces (level and slope) by dynamic programming: the cut that makes the sum
of squared residuals plus a price per piece smallest is found exactly. Pieces that are long and level enough
are rests. A slope in the model keeps creep under load in one piece; a staircase of coarse steps is a slope
with uniform residuals, and a level that toggles between two steps is a level.

Source of the method: optimal partitioning with pruning (Killick, Fearnhead, Eckley, J. Am. Stat. Assoc.
107, 2012, 1590-1598), here with straight lines as pieces.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from analysis.trace import FloatArray, IntArray

PRICE = 10.0
"""Price of one more piece, in noise variances."""
SLOPE_PRICE = 6.0
"""What a slope costs on top: else two readings of a move would take one of the hold's for a line."""
MOST_POINTS = 4_000
"""Longer traces are averaged in blocks before they are cut; levels still come from every reading."""
CLEAR_STEP_READINGS = 4
CLEAR_STEP_LEAVES = 0.15
"""A piece is cut at a single step that leaves less than this part of what a straight line leaves."""
TO_AND_FRO = 0.15
"""Changes a reading from which two neighbouring steps are one level that toggles."""
EDGE_FRACTION = 0.06
"""Part of a rest's readings at either end that does not enter its level."""
FEWEST_FOR_MEAN = 5
"""The level of a rest with fewer readings is their median."""
SHORTEST_S = 0.3
FEWEST_READINGS = 3
REST_SPEED_FRACTION = 0.1
"""A piece rests when it moves by less than this part of the trace's travel a second, or by less than the
noise hides (about one step where the steps are coarse)."""


@dataclass(frozen=True, slots=True)
class RestLevel:
    """One stretch at rest.

    Attributes:
        first, stop: its readings, as a half-open range of indices.
        start_s, end_s: its first and last reading's time.
        level_um: mean of its readings without those next to the moves.
        slope_um_s: how the level crept.
        scatter_um: standard deviation of the readings about that line.
        distinct: how many different values it holds (1: every reading on the same step).
    """

    first: int
    stop: int
    start_s: float
    end_s: float
    level_um: float
    slope_um_s: float
    scatter_um: float
    distinct: int

    @property
    def count(self) -> int:
        """Readings in it."""
        return self.stop - self.first

    @property
    def duration_s(self) -> float:
        """Seconds from its first to its last reading."""
        return self.end_s - self.start_s

    @property
    def creep_um(self) -> float:
        """How far the level crept from first to last reading."""
        return self.slope_um_s * self.duration_s


def find_rest_levels(
    time_s: FloatArray,
    reading_um: FloatArray,
    noise_um: float,
    *,
    shortest_s: float = SHORTEST_S,
    rest_speed_um_s: float | None = None,
) -> tuple[RestLevel, ...]:
    """The rests of a trace in order of time.

    Args:
        time_s: (n,) seconds, never decreasing.
        reading_um: (n,) readings, um, spikes already set aside.
        noise_um: standard deviation of one reading at rest; above zero. Where the steps are coarse and
            rests show only one value each, less than step / sqrt(12) tells neighbouring steps apart.
        shortest_s: rests shorter than this are not counted.
        rest_speed_um_s: fastest creep that still counts as rest; None takes `REST_SPEED_FRACTION` of the
            trace's travel a second.
    """
    if time_s.size < FEWEST_READINGS:
        return ()
    if rest_speed_um_s is None:
        travel_um = float(np.subtract(*np.percentile(reading_um, [99.0, 1.0])))
        rest_speed_um_s = REST_SPEED_FRACTION * travel_um
    edges = _cut_any_length(time_s, reading_um, noise_um)
    edges = _with_clear_steps(time_s, reading_um, edges)
    pieces = [_describe(time_s, reading_um, int(a), int(b)) for a, b in itertools.pairwise(edges)]
    at_rest = [piece for piece in pieces if _rests(piece, noise_um, rest_speed_um_s)]
    joined = _join(time_s, reading_um, at_rest, noise_um)
    pause_s = float(np.median(np.diff(time_s)))
    # n readings stand for n pauses: a rest of 0.5 s at 8 readings/s shows only 0.375 s between its ends.
    return tuple(rest for rest in joined if rest.duration_s + pause_s >= shortest_s)


def cut_into_lines(time_s: FloatArray, reading_um: FloatArray, noise_um: float) -> IntArray:
    """Edges (first index of every piece, then n) of the best cut of a trace into straight pieces.

    Cost: n times the longest piece; call with a few thousand readings at most.
    """
    size = time_s.size
    sums = _Sums(time_s, reading_um)
    price, slope_price = PRICE * noise_um**2, SLOPE_PRICE * noise_um**2
    best = np.zeros(size + 1)
    best[0] = -price
    came_from = np.zeros(size + 1, dtype=np.intp)
    starts = np.zeros(1, dtype=np.intp)
    for stop in range(1, size + 1):
        total = best[starts] + sums.residual(starts, stop, slope_price)
        chosen = int(np.argmin(total))
        best[stop] = total[chosen] + price
        came_from[stop] = starts[chosen]
        # A start that is already dearer than the best can never win later (the pruning rule); cutting a
        # line in two costs one more slope, so by that much it may still be dearer.
        starts = np.append(starts[total <= best[stop] + slope_price], stop)
    edges = [size]
    while edges[-1] > 0:
        edges.append(int(came_from[edges[-1]]))
    return np.array(edges[::-1], dtype=np.intp)


class _Sums:
    """Running sums that give the residual of a straight line through any stretch at once."""

    def __init__(self, time_s: FloatArray, reading_um: FloatArray) -> None:
        span = float(time_s[-1] - time_s[0]) or 1.0
        x = (time_s - time_s[0]) / span - 0.5
        y = reading_um - np.median(reading_um)
        columns = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y])
        self._sums = np.concatenate([np.zeros((6, 1)), np.cumsum(columns, axis=1)], axis=1)

    def residual(self, starts: IntArray, stop: int, slope_price: float) -> FloatArray:
        """(len(starts),) what a piece from start to stop - 1 leaves: a level, or a line and its price."""
        n, x, y, xx, xy, yy = self._sums[:, stop, None] - self._sums[:, starts]
        sxx, sxy, syy = xx - x * x / n, xy - x * y / n, yy - y * y / n
        flat = sxx <= 1e-15 * n
        slope_part = np.where(flat, 0.0, sxy**2 / np.where(flat, 1.0, sxx))
        left: FloatArray = np.maximum(np.minimum(syy, syy - slope_part + slope_price), 0.0)
        return left


def _cut_any_length(time_s: FloatArray, reading_um: FloatArray, noise_um: float) -> IntArray:
    size = time_s.size
    block = math.ceil(size / MOST_POINTS)
    if block == 1:
        return cut_into_lines(time_s, reading_um, noise_um)
    firsts = np.arange(0, size, block)
    counts = np.diff(np.append(firsts, size))
    edges = cut_into_lines(
        np.add.reduceat(time_s, firsts) / counts, np.add.reduceat(reading_um, firsts) / counts, noise_um
    )
    return np.append(firsts[edges[:-1]], size)


def _with_clear_steps(time_s: FloatArray, reading_um: FloatArray, edges: IntArray) -> IntArray:
    """Cut pieces once more where they step once and stay: at coarse steps a line hides that."""
    cuts = [
        first + cut
        for first, stop in itertools.pairwise(edges.tolist())
        if (cut := _clear_step(time_s[first:stop], reading_um[first:stop])) is not None
    ]
    return np.sort(np.append(edges, np.array(cuts, dtype=np.intp)))


def _clear_step(time_s: FloatArray, reading_um: FloatArray) -> int | None:
    """First reading after a step that leaves next to nothing of what a straight line leaves, or None."""
    count = reading_um.size
    if count < 2 * CLEAR_STEP_READINGS:
        return None
    y = reading_um - reading_um.mean()
    before = np.arange(CLEAR_STEP_READINGS, count - CLEAR_STEP_READINGS + 1)
    left = np.cumsum(y)[before - 1]
    explained = left**2 / before + left**2 / (count - before)
    best = int(np.argmax(explained))
    lever = time_s - time_s.mean()
    weight = float(lever @ lever)
    total = float(y @ y)
    line_leaves = total - (float(lever @ y) ** 2 / weight if weight > 0.0 else 0.0)
    step_leaves = total - float(explained[best])
    clear = line_leaves > 0.0 and step_leaves < CLEAR_STEP_LEAVES * line_leaves
    return int(before[best]) if clear else None


def _describe(time_s: FloatArray, reading_um: FloatArray, first: int, stop: int) -> RestLevel:
    t, y = time_s[first:stop], reading_um[first:stop]
    level = _level(y)
    lever = t - t.mean()
    weight = float(lever @ lever)
    slope = float(lever @ y) / weight if weight > 0.0 else 0.0
    left = y - y.mean() - slope * lever
    scatter = math.sqrt(float(left @ left) / max(1, left.size - 2))
    distinct = int(np.unique(y).size)
    return RestLevel(first, stop, float(t[0]), float(t[-1]), level, slope, scatter, distinct)


def _level(reading_um: FloatArray) -> float:
    """Mean without the readings at either end, which the move before or after may still reach."""
    if reading_um.size < FEWEST_FOR_MEAN:
        return float(np.median(reading_um))
    edge = _edge(reading_um.size)
    return float(reading_um[edge:-edge].mean())


def _edge(count: int) -> int:
    """Readings left out at either end of a rest of so many."""
    return max(1, round(EDGE_FRACTION * count))


def level_rows(rest: RestLevel) -> tuple[int, int]:
    """The readings whose mean is the level (their median with fewer than five), as a half-open range."""
    edge = 0 if rest.count < FEWEST_FOR_MEAN else _edge(rest.count)
    return rest.first + edge, rest.stop - edge


def _rests(piece: RestLevel, noise_um: float, rest_speed_um_s: float) -> bool:
    if piece.count < FEWEST_READINGS or piece.duration_s <= 0.0:
        return False
    # The slope of a short piece is itself uncertain: three standard deviations of it are forgiven.
    doubt = 3.0 * noise_um * math.sqrt(12.0 / piece.count) / piece.duration_s
    return abs(piece.slope_um_s) <= rest_speed_um_s + doubt or abs(piece.creep_um) <= 4.0 * noise_um


def _join(
    time_s: FloatArray, reading_um: FloatArray, rests: list[RestLevel], noise_um: float
) -> list[RestLevel]:
    """Put pieces of one rest together again: they meet, or go to and fro between the same two steps."""
    joined: list[RestLevel] = []
    for rest in rests:
        both = slice(joined[-1].first, rest.stop) if joined else slice(0)
        near = bool(joined) and rest.first - joined[-1].stop <= 1
        if near and (_meet(joined[-1], rest, noise_um) or _toggles(reading_um[both], noise_um)):
            joined[-1] = _describe(time_s, reading_um, both.start, both.stop)
        else:
            joined.append(rest)
    return joined


def _meet(before: RestLevel, after: RestLevel, noise_um: float) -> bool:
    end_um = before.level_um + 0.5 * before.creep_um
    begin_um = after.level_um - 0.5 * after.creep_um
    return abs(end_um - begin_um) <= 2.0 * noise_um


def _toggles(reading_um: FloatArray, noise_um: float) -> bool:
    """All readings lie within one step of what noise hides (step / sqrt(12) at least), to and fro often."""
    turns = int(np.count_nonzero(np.diff(reading_um)))
    return float(np.ptp(reading_um)) <= 3.6 * noise_um and turns >= max(3.0, TO_AND_FRO * reading_um.size)
