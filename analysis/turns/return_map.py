"""First guesses of where the turns lie, from the trace's likeness to itself one turn later.

The return map sends each instant to the instant one turn later. It is found by dynamic programming on
the squared difference of the trace with itself (a warping path that starts in the first reading and
ends in the last), once for every possible length of the first turn; each local minimum of the path's
mean cost is a candidate. Its map then gives the angle: the smoothest growing function that rises by
one turn along the map.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analysis.trace import FloatArray, IntArray

_CAP = 6.0
_OFF_DIAGONAL = 0.25
_FAR = 1e12
_SHORTEST_TURN = 1.0 / 14.0


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A guess of the position at each grid point, in turns from 0, and how well the trace repeats."""

    turns: FloatArray
    cost: float
    first: int

    @property
    def total(self) -> float:
        """Turns over the whole trace."""
        return float(self.turns[-1] - self.turns[0])


def candidates(signal: FloatArray, noise: float, *, most: int = 7) -> list[Candidate]:
    """Guesses from the evenly spaced `signal` (at most a few hundred points), best first.

    Args:
        signal: (m,) readings on an even grid of time, any unit.
        noise: standard deviation of one point, same unit.
        most: how many guesses to return at the most.
    """
    size = signal.size
    spread = float(np.std(signal))
    if size < 16 or spread == 0.0:
        return []
    scale = np.hypot(noise, 0.08 * spread) * np.sqrt(2.0)
    shortest = max(3, int(size * _SHORTEST_TURN))
    cost, length, move = _paths(signal / scale, shortest)
    longest = int(size * 0.8)
    # A path must be long enough to say anything: the mean is drawn to 1 (no likeness) when it is short.
    mean = (cost + 0.05 * size) / (length + 0.05 * size)
    starts = np.arange(shortest, longest)
    value = mean[shortest:longest]
    lows = [
        k
        for k in range(value.size)
        if value[k] <= value[max(0, k - 3) : k + 4].min() and np.isfinite(value[k])
    ]
    lows.sort(key=lambda k: float(value[k]))
    found: list[Candidate] = []
    for k in lows:
        first = int(starts[k])
        turns = _angle_from_map(*_walk(move, first, size), size)
        if turns is None:
            continue
        total = float(turns[-1])
        if all(abs(total - other.total) > 0.06 * total for other in found):
            found.append(Candidate(turns, float(value[k]), first))
        if len(found) == most:
            break
    return found


def _paths(signal: FloatArray, shortest: int) -> tuple[FloatArray, FloatArray, IntArray]:
    """Cost and length of the cheapest path from (0, j) to the last column, and each cell's best move.

    Worked backwards along anti-diagonals, each as one array operation: O(m) steps of O(m). Cells are (i, j)
    with j - i >= shortest / 2; the move of one stands at [i + j, i]: 0 both on, 1 only i, 2 only j, 3 at the
    last column.
    """
    size = signal.size
    nearest, last = max(2, shortest // 2), size - 1
    move = np.zeros((2 * size - 1, size), dtype=np.intp)
    start_cost, start_length = np.full(size, _FAR), np.zeros(size)
    # Of the next anti-diagonal and the one behind it, by i: further cells are out of reach.
    cost, length = np.full(size + 1, _FAR), np.zeros(size + 1)
    behind_cost, behind_length = cost, length
    for total in range(2 * size - 2, -1, -1):
        low, high = max(0, total - last), (total - nearest) // 2
        if high < low:
            continue
        here, on = slice(low, high + 1), slice(low + 1, high + 2)
        other = signal[total - high : total - low + 1][::-1]
        apart = np.minimum((signal[here] - other) ** 2, _CAP)
        both, only_i, only_j = behind_cost[on], cost[on] + _OFF_DIAGONAL, cost[here] + _OFF_DIAGONAL
        only = np.minimum(only_i, only_j)
        choice = np.where(both <= only, 0, np.where(only_i <= only_j, 1, 2))
        steps = np.where(choice == 2, length[here] + 1, length[on] + 1)
        steps = np.where(choice == 0, behind_length[on] + 2, steps)
        behind_cost, behind_length = cost, length
        cost, length = np.full(size + 1, _FAR), np.zeros(size + 1)
        cost[here], length[here] = apart + np.minimum(both, only), steps
        if total >= last:
            cost[low], length[low], choice[0] = apart[0], 1.0, 3
        if low == 0:
            start_cost[total], start_length[total] = cost[0], length[0]
        move[total, here] = choice
    return start_cost, start_length, move


def _walk(move: IntArray, first: int, size: int) -> tuple[IntArray, IntArray]:
    i, j = 0, first
    left, right = [i], [j]
    while j < size - 1 and move[i + j, i] != 3:
        step = move[i + j, i]
        i += step != 2
        j += step != 1
        left.append(i)
        right.append(j)
    return np.array(left), np.array(right)


def _angle_from_map(left: IntArray, right: IntArray, size: int) -> FloatArray | None:
    """The smoothest position that rises by one turn from `left` to `right`; None when it does not grow."""
    hessian = np.zeros((size, size))
    target = np.zeros(size)
    np.add.at(hessian, (left, left), 1.0)
    np.add.at(hessian, (right, right), 1.0)
    np.add.at(hessian, (left, right), -1.0)
    np.add.at(hessian, (right, left), -1.0)
    np.add.at(target, right, 1.0)
    np.add.at(target, left, -1.0)
    hessian += _bending(size)
    hessian[0, 0] += 1e6
    turns = np.linalg.solve(hessian, target)
    turns -= turns[0]
    if not np.isfinite(turns[-1]) or turns[-1] < 0.9:
        return None
    return np.asarray(np.maximum.accumulate(turns), dtype=np.float64)


@lru_cache(maxsize=4)
def _bending(size: int) -> FloatArray:
    """(size, size) quadratic form of how much a position bends: the same for every guess of a trace."""
    bend = np.zeros((size - 2, size))
    rows = np.arange(size - 2)
    bend[rows, rows], bend[rows, rows + 1], bend[rows, rows + 2] = 1.0, -2.0, 1.0
    form: FloatArray = (size / 12.0) ** 4 / 16.0 * (bend.T @ bend)
    form.flags.writeable = False
    return form
