"""Where the hub stood before it moved: closed forms, coarse steps that hide the first and the last part."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.cleaning import clean
from analysis.trace import FloatArray, Trace
from analysis.turns import find_turns

RATE_HZ = 25.0
TURN_S = 5.0


def surface(turns: FloatArray) -> FloatArray:
    angle = 2 * np.pi * turns
    wave = 38 * np.cos(angle - 2.0) + 12 * np.cos(2 * angle - 1.0) + 3 * np.cos(3 * angle) + np.cos(5 * angle)
    return np.asarray(wave, np.float64)


def counted(total: float, begins: float, rest_s: float, step_um: float, seed: int) -> float:
    """Turns found in a trace of `total` turns that begins `begins` round, with a rest at either end."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, total * TURN_S + 2 * rest_s, 1.0 / RATE_HZ)
    at = np.clip((time_s - rest_s) / TURN_S, 0.0, total)
    swings = 0.05 * np.sin(2 * np.pi * at * 1.3 + seed) - 0.05 * np.sin(seed)
    at = at + swings - swings[-1] * at / total
    exact = surface(begins + at) + rng.normal(0, 0.3, time_s.size)
    trace = Trace(time_s, step_um * np.round(exact / step_um), resolution_um=step_um)
    found = find_turns(clean(trace)).total
    assert found is not None
    return found


@pytest.mark.parametrize("rest_s", [0.0, 1.5])
def test_coarse_steps_hide_no_more_than_their_share(rest_s: float) -> None:
    """Rests at the ends must not be counted as turning, nor turning as rests: no bias either way."""
    off = [counted(3.3, 0.17 * seed, rest_s, 10.0, seed) - 3.3 for seed in range(3)]
    assert abs(float(np.mean(off))) < 0.05
    assert max(np.abs(off)) < 0.15


def test_fine_steps() -> None:
    off = [counted(2.7, 0.23 * seed, 1.0, 1.0, seed) - 2.7 for seed in range(3)]
    assert max(np.abs(off)) < 0.2
