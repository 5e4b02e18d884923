"""Traces with a known truth, made without any of the estimator's assumptions.

The flange is a sum of many orders with random decay, bumps and dents; the hand is a rough speed process
with grips, rests and a step back, none of it a spline or a random walk of the logarithm. Everything is
drawn from one seed, so a test can name the trace that broke something.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from analysis.trace import BoolArray, FloatArray, Trace


@dataclass(frozen=True)
class Flange:
    """Amplitude (um) and phase of each order, with bumps of (angle, height um, standard width)."""

    amplitude_um: FloatArray
    phase: FloatArray
    bumps: tuple[tuple[float, float, float], ...] = ()

    def at(self, turns: FloatArray) -> FloatArray:
        """Profile in um at angles given in turns."""
        angle = 2.0 * np.pi * np.asarray(turns)
        height = np.zeros(angle.shape)
        for order, (amplitude, phase) in enumerate(zip(self.amplitude_um, self.phase, strict=True), start=1):
            if amplitude:
                height += amplitude * np.cos(order * angle - phase)
        for centre_deg, high_um, wide_deg in self.bumps:
            apart = (np.degrees(angle) - centre_deg + 180.0) % 360.0 - 180.0
            height += high_um * np.exp(-0.5 * (apart / wide_deg) ** 2)
        return height

    @property
    def run_out_um(self) -> float:
        """Largest minus smallest over one turn, um."""
        height = self.at(np.arange(7200) / 7200.0)
        return float(height.max() - height.min())


@dataclass(frozen=True)
class Made:
    """A trace and the truth behind it; `turns` holds the hub's position at every reading, in turns."""

    trace: Trace
    flange: Flange
    turns: FloatArray
    noise_um: float
    spikes: BoolArray | None = None
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def total(self) -> float:
        return float(self.turns[-1] - self.turns[0])


def random_flange(rng: np.random.Generator, *, bump: bool = False) -> Flange:
    """Order 1 of 5 to 60 um, order 2 of 2 to 25 um, then a random decay up to order 18."""
    amplitude = np.zeros(18)
    amplitude[0] = np.exp(rng.uniform(np.log(5.0), np.log(60.0)))
    amplitude[1] = np.exp(rng.uniform(np.log(2.0), np.log(25.0)))
    top = int(rng.integers(5, 19))
    decay = rng.uniform(1.0, 2.2)
    orders = np.arange(3, top + 1)
    start = rng.uniform(0.5, 6.0)
    amplitude[2:top] = start * np.abs(rng.normal(size=orders.size)) * (3.0 / orders) ** decay
    if rng.uniform() < 0.3:
        amplitude[4] += rng.uniform(1.0, 6.0)  # a flange pulled at five studs
    bumps: tuple[tuple[float, float, float], ...] = ()
    if bump:
        bumps = ((rng.uniform(0, 360), rng.uniform(5, 10) * rng.choice([-1, 1]), rng.uniform(3, 7)),)
    return Flange(amplitude, rng.uniform(0, 2 * np.pi, 18), bumps)


def hand(
    rng: np.random.Generator, total: float, time_s: FloatArray, *, swing: float, hard: bool
) -> FloatArray:
    """Position in turns at each time: uneven by `swing` (0 to 1), with rests and a step back when `hard`."""
    fine = np.linspace(time_s[0], time_s[-1], 8 * time_s.size)
    span = fine[-1] - fine[0]
    per_s = fine.size / span
    turn_s = span / total
    slow = gaussian_filter1d(
        rng.normal(size=fine.size), 0.5 * turn_s * per_s * rng.uniform(0.5, 1.5), mode="wrap"
    )
    quick = gaussian_filter1d(
        rng.normal(size=fine.size), 0.08 * turn_s * per_s * rng.uniform(0.6, 2.0), mode="wrap"
    )
    grips = np.abs(np.sin(np.pi * (fine / (turn_s * rng.uniform(0.2, 0.6)) + rng.uniform())))
    shape = slow / slow.std() + 0.7 * quick / quick.std() + 1.2 * (grips - 0.6)
    shape -= shape.mean()
    speed = 1.0 + swing * shape / np.abs(shape).max()
    if hard:
        for _ in range(int(rng.integers(1, 4))):
            at, wide = rng.uniform(0.05, 0.95) * span, rng.uniform(0.3, 1.5)
            speed *= 1.0 - 1.0 / (1.0 + np.exp((np.abs(fine - fine[0] - at) - wide / 2) / 0.06))
        at = rng.uniform(0.1, 0.9) * span
        back = np.exp(-0.5 * ((fine - fine[0] - at) / 0.15) ** 2)
        speed -= back * rng.uniform(0.0, 2.0)
    position = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))])
    position *= total / position[-1]
    return np.interp(time_s, fine, position)


def quantised(reading_um: FloatArray, step_um: float) -> FloatArray:
    """Readings as an indicator of that step shows them."""
    return step_um * np.round(reading_um / step_um)


def made(
    seed: int,
    *,
    hand_kind: str = "ordinary",
    step_um: float = 1.0,
    total: float | None = None,
    rate_hz: float | None = None,
    flange: Flange | None = None,
    bump: bool = False,
    drift_um: float | None = None,
    curve_um: float = 0.0,
    cage_um: float = 0.0,
    noise_um: float | None = None,
) -> Made:
    """One trace. `hand_kind` is gentle (40 %), ordinary (65 %) or hard (85 %, rests, a step back)."""
    rng = np.random.default_rng(seed)
    swing = {"even": 0.02, "gentle": 0.4, "ordinary": 0.65, "hard": 0.85}[hand_kind] * rng.uniform(0.5, 1.0)
    total = rng.uniform(2.2, 6.0) if total is None else total
    rate_hz = float(np.exp(rng.uniform(np.log(8), np.log(50)))) if rate_hz is None else rate_hz
    turn_s = rng.uniform(4.0, 9.0) if rate_hz < 15 else rng.uniform(2.5, 7.0)
    count = int(total * turn_s * rate_hz)
    time_s = (np.arange(count) + rng.uniform(-0.1, 0.1, count)) / rate_hz
    time_s -= time_s[0]
    turns = hand(rng, total, time_s, swing=swing, hard=hand_kind == "hard")
    flange = random_flange(rng, bump=bump) if flange is None else flange
    noise_um = rng.uniform(0.2, 0.8) if noise_um is None else noise_um
    part = np.linspace(0, 1, count)
    drift_um = rng.normal(0, 2.0) if drift_um is None else drift_um
    reading = flange.at(turns) + rng.uniform(-300, 300) + drift_um * part + curve_um * 4 * part * (1 - part)
    extra = {}
    if cage_um:
        rate = rng.uniform(0.40, 0.46)
        reading = reading + cage_um * np.cos(2 * np.pi * (rate * turns + rng.uniform()))
        extra["cage_per_turn"] = rate
    reading = quantised(reading + rng.normal(0, noise_um, count), step_um)
    return Made(Trace(time_s, reading, resolution_um=step_um), flange, turns, noise_um, extra=extra)


def with_marks(
    one: Made,
    seed: int,
    *,
    jitter_s: float = 0.08,
    missed: float = 0.08,
    doubled: float = 0.03,
    at: float = 0.37,
) -> Made:
    """The same trace with index marks tapped by hand: late or early, some missed, some doubled."""
    rng = np.random.default_rng(seed)
    mark = np.zeros(len(one.trace), bool)
    highest = np.maximum.accumulate(one.turns)
    for whole in np.arange(np.ceil(highest[0] - at), highest[-1] - at):
        if rng.uniform() < missed:
            continue
        when = np.interp(whole + at, highest, one.trace.time_s) + rng.normal(0, jitter_s)
        for late in (0.0, 0.3) if rng.uniform() < doubled else (0.0,):
            mark[min(len(mark) - 1, int(np.searchsorted(one.trace.time_s, when + late)))] = True
    return replace(one, trace=replace(one.trace, mark=mark))
