"""Figures of the estimated surface, with what the readings leave open.

Largest minus smallest is not linear in the coefficients and its slope jumps where two crests are alike, so
a formula for its uncertainty would be wrong just where it matters. The figures are taken instead over
surfaces drawn from what the readings leave possible (mean and covariance of `Surface`); their mean is the
estimate and their spread its uncertainty (propagation of distributions, JCGM 101). The draws are the same
in every run, in pairs mirrored about the mean, so that a result never depends on chance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.harmonics import harmonic_columns
from analysis.surface import Surface
from analysis.trace import FloatArray

PAIRS = 64
SEED = 16_610
SECTORS = 24
JOINED_RAD = 1e-6
LOOSENED = 1e-10  # of each variance: rounding must not leave the covariance without a root


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Figures of every drawn surface, um and degrees.

    Attributes:
        grid_rad: (m,) angles of a turn from index zero.
        repeatable: (d,) movement of the repeatable part.
        turns: (d, turns) movement of each whole turn.
        after_order_1: (d,) movement of the repeatable part without order 1.
        high_spot_rad: (d,) angle of its largest value.
        profile: (m,) repeatable part of the mean surface.
        profile_standard: (m,) its standard uncertainty.
        slow: (turns, m) part of the mean surface that does not repeat, in each whole turn.
        start_rad: cumulative angle at which the first whole turn begins.
    """

    grid_rad: FloatArray
    repeatable: FloatArray
    turns: FloatArray
    after_order_1: FloatArray
    high_spot_rad: FloatArray
    profile: FloatArray
    profile_standard: FloatArray
    slow: FloatArray
    start_rad: float = 0.0


def draw(surface: Surface, start_rad: float, turns: int, points: int = 360) -> Drawn:
    """Draw surfaces and take their figures.

    Args:
        surface: what was estimated.
        start_rad: cumulative angle at which the first whole turn begins.
        turns: whole turns.
        points: angles a turn.
    """
    grid = np.linspace(0, 2 * np.pi, points, endpoint=False)
    shape = surface.shape
    coefficients = _coefficients(surface)
    columns = harmonic_columns(grid, shape.orders)
    profiles = coefficients[:, shape.periodic] @ columns.T
    first = coefficients[:, shape.periodic][:, :2] @ columns[:, :2].T
    # In a turn that begins at `start_rad`, grid angle g is passed at the first g + 2 pi k after it.
    # The place where turns join belongs to the turn that begins there, whatever the last bits say.
    passed = start_rad + np.mod(grid - start_rad + JOINED_RAD, 2 * np.pi) - JOINED_RAD
    movement = np.empty((coefficients.shape[0], turns))
    slow = np.zeros((turns, points))
    for turn in range(turns):
        if shape.slow_per_turn.size:
            aside = shape.slow_columns(passed + 2 * np.pi * turn)
            slow[turn] = aside @ surface.mean[shape.slow]
            movement[:, turn] = np.ptp(profiles + coefficients[:, shape.slow] @ aside.T, axis=1)
        else:
            movement[:, turn] = np.ptp(profiles, axis=1)
    covariance = surface.covariance[shape.periodic, shape.periodic]
    return Drawn(
        grid_rad=grid,
        repeatable=np.ptp(profiles, axis=1),
        turns=movement,
        after_order_1=np.ptp(profiles - first, axis=1),
        high_spot_rad=grid[np.argmax(profiles, axis=1)],
        profile=columns @ surface.mean[shape.periodic],
        profile_standard=np.sqrt(np.einsum("ij,ij->i", columns @ covariance, columns)),
        slow=slow,
        start_rad=start_rad,
    )


def _coefficients(surface: Surface) -> FloatArray:
    """(2 * PAIRS, p) coefficients of the drawn surfaces.

    By Cholesky's root, which there is one of: the signs and order of eigenvectors differ from one computer
    to another, and the drawn surfaces with them.
    """
    normal = np.random.default_rng(SEED).standard_normal((PAIRS, surface.mean.size))
    spread = normal @ root_of(surface.covariance).T
    return np.asarray(surface.mean + np.concatenate([spread, -spread]), np.float64)


def root_of(covariance: FloatArray) -> FloatArray:
    """Cholesky's root; where rounding leaves none, of a covariance that is loosened by more."""
    even = (covariance + covariance.T) / 2
    loose = np.diag(np.diag(even))
    for more in (1.0, 1e2, 1e4):
        try:
            return np.asarray(np.linalg.cholesky(even + more * LOOSENED * loose), np.float64)
        except np.linalg.LinAlgError:
            continue
    return np.asarray(np.linalg.cholesky(even + 1e-3 * loose), np.float64)


def spread_at_one_angle(slow: FloatArray) -> float:
    """Largest spread at one angle over the turns (asynchronous error motion, ISO 230-7), um."""
    return float(np.ptp(slow, axis=0).max())


def circular_standard_rad(angle_rad: FloatArray) -> float:
    """Standard deviation of angles around the circle, at most that of an unknown angle (2 pi/sqrt(12))."""
    together = min(abs(complex(np.exp(1j * angle_rad).mean())), 1.0)
    unknown = 2 * np.pi / np.sqrt(12)
    return float(min(np.sqrt(-2 * np.log(together)), unknown)) if together > 0 else float(unknown)


def with_turns_apart(
    drawn: Drawn,
    profile_at: FloatArray,
    reading_um: FloatArray,
    place: FloatArray,
    noise_um: float,
) -> Drawn:
    """Put back what many turns together hide: the movement of each turn beside the repeatable part.

    With more turns than the fit keeps apart, what is left of the readings of each turn is averaged over
    sectors of 15 degrees, and drawn towards zero by the share of its variance that noise explains (James
    and Stein, Proc. 4th Berkeley Symp. 1961; from memory).

    Args:
        drawn: figures of the repeatable part.
        profile_at: (n,) fitted reading.
        reading_um: (n,) readings.
        place: (n,) turns since the first whole turn began.
        noise_um: standard deviation of one reading.
    """
    turns = drawn.turns.shape[1]
    inside = (place >= 0) & (place < turns)
    cell = (place[inside] * SECTORS).astype(np.intp)
    left = (reading_um - profile_at)[inside]
    count = np.bincount(cell, minlength=turns * SECTORS).astype(np.float64)
    mean = np.bincount(cell, weights=left, minlength=turns * SECTORS) / np.maximum(count, 1)
    by_noise = float((noise_um**2 / np.maximum(count, 1)).mean())
    share = max(0.0, 1 - by_noise / max(float((mean**2).mean()), 1e-12))
    sectors = (share * mean).reshape(turns, SECTORS)
    points = drawn.grid_rad.size
    slow = np.repeat(sectors, points // SECTORS, axis=1)
    movement = np.ptp(drawn.profile + slow, axis=1) - np.ptp(drawn.profile)
    return replace(drawn, slow=slow, turns=drawn.turns + movement)
