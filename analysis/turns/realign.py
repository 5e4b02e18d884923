"""The position found again from a known profile: what rescues a fit that a sudden rest has thrown off.

Dynamic programming over (angle bin, bins moved since the last reading): the cheapest way through all
readings, each charged with its squared distance from the profile and each move with how unlikely that
speed is. It may stand still, step back a little, or move several times faster than on average.
"""

from __future__ import annotations

import numpy as np

from analysis.trace import FloatArray

_BINS = 200
_BACK = 0.8
_FASTEST = 4.5


def realigned(
    reading_um: FloatArray, sigma_um: FloatArray, profile_um: FloatArray, moved: float, first: float
) -> FloatArray:
    """Positions in turns (not wrapped) that carry the readings along the profile at least cost.

    Args:
        reading_um: (n,) readings without drift.
        sigma_um: (n,) how far a reading may lie from the profile, standard deviation.
        profile_um: (_BINS,) profile over one turn, from `profile_angles`.
        moved: mean motion from one reading to the next, turns.
        first: rough position of the first reading, turns.
    """
    size = reading_um.size
    mean = moved * _BINS
    most = max(3, int(np.ceil(_FASTEST * mean)))
    back = max(2, int(np.ceil(_BACK * mean)))
    steps = np.arange(-back, most + 1)
    price = _price(steps / mean)
    half_apart = np.minimum(((reading_um[:, None] - profile_um[None, :]) / sigma_um[:, None]) ** 2, 40.0)
    half_apart *= 0.5
    bins = np.arange(_BINS)
    away = (bins / _BINS - first + 0.5) % 1.0 - 0.5
    cost = np.empty((size, _BINS))
    cost[0] = half_apart[0] + 0.5 * (away / 0.15) ** 2
    # Row k of `moved_from` looks at the costs, laid round the circle, from where a move of steps[k] comes.
    places = np.arange(-most, _BINS + back) % _BINS
    around = np.empty(places.size)
    moved_from = np.lib.stride_tricks.sliding_window_view(around, _BINS)[::-1]
    through = np.empty((steps.size, _BINS))
    price_of_row = price[:, None]
    for row in range(1, size):
        cost[row - 1].take(places, out=around, mode="clip")
        np.add(moved_from, price_of_row, out=through)
        now = np.minimum.reduce(through, axis=0, out=cost[row])
        now += half_apart[row]
    # The way back asks each cost once more where it came from, which is less work than to keep every answer.
    source = (bins[:, None] - steps[None, :]) % _BINS
    place = int(cost[-1].argmin())
    moves = np.empty(size - 1)
    for row in range(size - 1, 0, -1):
        move = int((cost[row - 1].take(source[place]) + price).argmin())
        moves[row - 1] = steps[move]
        place = int(source[place, move])
    return np.concatenate([[0.0], np.cumsum(moves)]) / _BINS


def profile_angles() -> FloatArray:
    """(_BINS,) angles of the profile's bins, in turns."""
    return np.arange(_BINS) / _BINS


def _price(ratio: FloatArray) -> FloatArray:
    """Minus log likelihood of a speed, as a multiple of the mean: broad in its logarithm, dear backwards."""
    forward = 0.5 * (np.log(np.maximum(ratio, 0.08) / 0.9) / 0.8) ** 2
    return np.where(ratio < 0.0, 3.5 - 0.5 * ratio, np.where(ratio == 0.0, 1.5, forward))
