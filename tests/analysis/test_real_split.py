"""Two real records: the roundness of a turn with a spike in it, and a torque that repeats and does not.

Sources: surfmetjs, profile.txt (MIT): one turn of a roundness instrument, 0.1 degree steps; order 1 is
201.37, and 201.51 with the spike of 1.6 degrees at 217.7 degrees left out. torque-ripple-data (no licence
stated): 20 whole turns at 1000 readings a turn; repeatable part rms 1.2361, the rest 0.2756. All were
computed outside the project, none is a published value; both records are read beside the checkout.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from analysis.harmonics import fit_orders
from analysis.runout import take_apart
from analysis.trace import FloatArray, Trace
from analysis.values import Cleaned, Turns

TURNS = 20
PER_TURN = 1000


def columns(path: Path) -> FloatArray:
    with path.open(encoding="utf-8") as file:
        lines = list(csv.reader(line for line in file if not line.startswith("#")))[1:]
    return np.array(lines, dtype=np.float64)


def test_order_1_with_and_without_the_spike(datasets: Path) -> None:
    angle, reading = columns(datasets / "roundness_trace" / "trace_3600.csv").T
    raw = fit_orders(angle, reading, 3).coefficients
    assert np.hypot(raw[1], raw[2]) == pytest.approx(201.373, abs=0.001)
    kept = np.abs(angle - 217.7) > 1.6
    angle, reading = angle[kept], reading[kept]
    without = fit_orders(angle, reading, 3).coefficients
    assert np.hypot(without[1], without[2]) == pytest.approx(201.51, abs=0.01)
    trace = Trace(angle / 10.0, reading, angle_deg=angle, resolution_um=0.01585)
    everything = np.ones(angle.size, np.bool_)
    cleaned = Cleaned(trace, everything, (), False, 0.34, 0.01585, np.zeros(angle.size))
    edges = np.array([0.0, 36.0])
    turns = Turns(1.0, 1, "angle", edges, 1.0, angle_deg=angle, at_least_once=True)
    first = take_apart(cleaned, turns).orders[0]
    assert first.amplitude_um == pytest.approx(201.51, abs=0.1)


def test_what_repeats_and_what_does_not(datasets: Path) -> None:
    torque = columns(datasets / "sync_async" / "torque_60rpm.csv")[: TURNS * PER_TURN, 1]
    mean = torque.reshape(TURNS, PER_TURN).mean(axis=0)
    angle = 360.0 * np.arange(torque.size) / PER_TURN
    time_s = np.arange(torque.size) / PER_TURN
    trace = Trace(time_s, torque, angle_deg=angle, resolution_um=1e-4)
    everything = np.ones(torque.size, np.bool_)
    cleaned = Cleaned(trace, everything, (), False, 0.05, 1e-4, np.zeros(torque.size))
    starts = np.arange(TURNS, dtype=np.float64)
    turns = Turns(20.0, TURNS - 1, "angle", starts, 1.0, angle_deg=angle, at_least_once=True)
    runout = take_apart(cleaned, turns)
    assert runout.profiles is not None
    assert float(np.sqrt(np.mean((mean - mean.mean()) ** 2))) == pytest.approx(1.2361, abs=0.001)
    assert float(np.std(runout.profiles.repeatable_um)) == pytest.approx(1.2361, abs=0.02)
    rest = torque - np.tile(mean, TURNS)
    assert float(np.sqrt(np.mean(rest**2))) == pytest.approx(0.2756, abs=0.001)
    slow = runout.profiles.turns_um - runout.profiles.repeatable_um
    assert np.hypot(runout.noise_um or 0.0, float(np.std(slow))) == pytest.approx(0.2828, abs=0.03)
