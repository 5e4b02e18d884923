"""Where the hub stood before it first moved and after it last did.

A hub is at rest when a run begins and when it ends, or it already turns. While the readings stay within a
step neither shows: near a high or a low spot, or in coarse steps, a good part of a turn may pass unseen.
The readings after it tell the profile and the speed, and so how far back the hub may have stood and still
have shown these readings. Two accounts are weighed: it rested and then moved on as fast as just after, or
it moved all the time; the mean over all places that they allow is taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import minimum_filter1d

from analysis.trace import BoolArray, FloatArray
from analysis.turns.state_answers import surface_part
from analysis.turns.state_fit import Fit

_REACH = 0.4
_PLACES = 161
_RESTS = 0.7
_REST_S = 3.0
_SPEED_SPREAD = 0.5
_AHEAD_S = 0.4
_SMALLEST_SPEED = 0.25
_FEWEST = 4
_MOST_STILL = 60
_GRID = 360
_CAP = 25.0
_TELLING = 6
_GONE = 3
_GONE_S = 0.2
_PROFILE_ERROR = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """One end of a trace, time and position growing away from it.

    Attributes:
        time_s: (k,) times of the still readings, those that were cut away included.
        reading_um: (k,) readings without what is not the profile.
        leaves_s, leaves_at: when and where (turns) the hub has surely moved.
        speed: turns a second just after.
        begins_s: when the recording began.
    """

    time_s: FloatArray
    reading_um: FloatArray
    leaves_s: float
    leaves_at: float
    speed: float
    begins_s: float


@dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """What the indicator shows at a place: profile on `_GRID` + 1 points of a turn, half a step, noise."""

    profile_um: FloatArray
    free_um: float
    scatter_um: float
    band_um: float

    def misses(self, position: FloatArray, reading_um: FloatArray) -> FloatArray:
        """Half the squared distance of readings from the profile in standard deviations, rounding free."""
        there = np.interp(np.mod(position, 1.0), np.linspace(0.0, 1.0, _GRID + 1), self.profile_um)
        off = np.maximum(np.abs(reading_um - there) - self.free_um, 0.0)
        return np.asarray(0.5 * np.minimum((off / self.scatter_um) ** 2, _CAP))

    def backwards(self) -> _Shown:
        """The same for a position that counts the other way."""
        return replace(self, profile_um=self.profile_um[::-1])


def with_ends(
    one: Fit,
    position: FloatArray,
    time_s: FloatArray,
    reading_um: FloatArray,
    noise_um: float,
    step_um: float,
    cut: tuple[int, int] = (0, 0),
) -> tuple[FloatArray, float]:
    """The position at every reading with both ends placed, and the standard uncertainty of the total, turns.

    Args:
        one: the fit, for its profile.
        position: (n,) position of each reading in turns, growing on the whole.
        time_s: (n,) s.
        reading_um: (n,) readings.
        noise_um: standard deviation of one reading, its rounding included.
        step_um: step of the indicator.
        cut: readings at rest that cleaning has cut away before the first and after the last.
    """
    profile, beside = surface_part(one, np.linspace(0.0, 1.0, _GRID + 1))
    level: FloatArray = reading_um - np.interp(position, np.maximum.accumulate(one.turns), beside)
    scatter = float(np.sqrt(max(noise_um**2 - step_um**2 / 12.0, 0.0) + (_PROFILE_ERROR * noise_um) ** 2))
    shown = _Shown(profile, 0.5 * step_um, scatter, max(4.0 * noise_um, 1.01 * step_um))
    placed, first = _placed(shown, position, time_s, level, cut[0])
    back, last = _placed(shown.backwards(), -placed[::-1], -time_s[::-1], level[::-1], cut[1])
    return -back[::-1], float(np.hypot(first, last))


def cut_ends(kept: BoolArray) -> tuple[int, int]:
    """Readings before the first and after the last that were kept."""
    rows = np.flatnonzero(kept)
    return (int(rows[0]), int(kept.size - 1 - rows[-1])) if rows.size else (0, 0)


def _placed(
    shown: _Shown, position: FloatArray, time_s: FloatArray, level_um: FloatArray, cut: int
) -> tuple[FloatArray, float]:
    end = _end(position, time_s, level_um, shown.band_um, cut)
    if end is None:
        return position, 0.0
    places = np.linspace(end.leaves_at - _REACH, end.leaves_at, _PLACES)
    weight = _weights(shown, end, places)
    mean = float(weight @ places)
    placed = position.copy()
    still = slice(0, int(np.searchsorted(time_s, end.leaves_s)))
    speed = max(end.speed, (end.leaves_at - mean) / max(end.leaves_s - end.begins_s, 1e-9))
    placed[still] = np.maximum(mean, end.leaves_at - speed * (end.leaves_s - time_s[still]))
    placed[0] = mean
    return placed, float(np.sqrt(weight @ (places - mean) ** 2))


def _end(
    position: FloatArray, time_s: FloatArray, level_um: FloatArray, band_um: float, cut: int
) -> _End | None:
    """The still readings at the beginning; None when the hub moves from the first on, or never does."""
    reach = np.maximum.accumulate(level_um) - np.minimum.accumulate(level_um)
    within = int(np.argmax(reach > band_um))
    usual = float(np.median(np.diff(time_s)))
    level = float(np.median(level_um[: max(min(within, _FEWEST), within // 3)]))
    gone = np.abs(level_um - level) > 0.5 * band_um
    lasting = max(_GONE, int(_GONE_S / max(usual, 1e-9)))
    count = int(np.argmax(minimum_filter1d(gone, lasting, origin=-(lasting // 2), mode="nearest")))
    if count + cut < _FEWEST or count >= position.size // 2:
        return None
    ahead = min(position.size - 1, count + max(2, int(_AHEAD_S / max(usual, 1e-9))))
    mean = (position[-1] - position[0]) / (time_s[-1] - time_s[0])
    speed = (position[ahead] - position[count]) / max(time_s[ahead] - time_s[count], 1e-9)
    begins_s = float(time_s[0] - cut * usual)
    some = np.unique(np.linspace(0, count - 1, min(count, _MOST_STILL)).astype(np.intp))
    # What was cut away lay within the same step or noise as what was left of the rest.
    before = begins_s + usual * np.linspace(0.0, cut - 1.0, min(cut, _MOST_STILL))
    return _End(
        time_s=np.concatenate([before, time_s[some]]),
        reading_um=np.concatenate([np.full(before.size, level), level_um[some]]),
        leaves_s=float(time_s[count]),
        leaves_at=float(position[count]),
        speed=float(max(speed, _SMALLEST_SPEED * mean)),
        begins_s=begins_s,
    )


def _weights(shown: _Shown, end: _End, places: FloatArray) -> FloatArray:
    """(places,) probability that the hub stood there at the end, both accounts together."""
    waited = end.leaves_s - end.begins_s
    way = end.leaves_at - places
    rests = waited - way / end.speed
    time = end.leaves_s - end.time_s
    after_rest = np.maximum(places[:, None], end.leaves_at - end.speed * time)
    steadily = end.leaves_at - way[:, None] * (time / waited)
    # The profile's own error is the same for all readings of a rest: together they say little more than few.
    told = min(end.time_s.size, _TELLING)
    rested = -told * shown.misses(after_rest, end.reading_um).mean(axis=1)
    moved = -told * shown.misses(steadily, end.reading_um).mean(axis=1)
    usual = np.exp(-0.5 * (np.log(np.maximum(way, 1e-6) / waited / end.speed) / _SPEED_SPREAD) ** 2)
    usual /= _SPEED_SPREAD * np.sqrt(2.0 * np.pi)
    best = max(float(rested[rests >= 0.0].max()), float(moved.max()))
    weight = np.where(rests >= 0.0, _RESTS / _REST_S * np.exp(-np.maximum(rests, 0.0) / _REST_S), 0.0)
    weight = weight * np.exp(np.minimum(rested - best, 0.0))
    weight = weight + (1.0 - _RESTS) * usual / waited * np.exp(moved - best)
    return np.asarray(weight / weight.sum())
