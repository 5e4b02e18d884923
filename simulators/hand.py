"""The hand on the flange: it turns unevenly, pushes and pulls, rests, and lets go.

An action becomes a `Motion`: the hub's angle and the force on it over time, on a fine grid. Seconds,
degrees (growing, not wrapped), newtons (pulled out of the vehicle positive).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
Manner = Literal["gentle", "ordinary", "hard"]

STEP_S = 0.01
SPEED_SWING: dict[str, float] = {"gentle": 0.40, "ordinary": 0.65, "hard": 0.85}


@dataclass(frozen=True, slots=True)
class Rest:
    """Hands off; the hub stands still."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Strokes:
    """Push, hold, pull, hold, `count` times.

    Attributes:
        count: strokes.
        lets_go: hands off between strokes; None leaves it to the hand, stroke by stroke.
        force_n: about how hard, either way.
        hold_s: shortest and longest hold.
    """

    count: int = 3
    lets_go: bool | None = None
    force_n: float = 220.0
    hold_s: tuple[float, float] = (0.9, 1.9)


@dataclass(frozen=True, slots=True)
class Turn:
    """Turn the hub on.

    Attributes:
        turns: how far.
        manner: how unevenly: the speed swings by 40, 65 or 85 % of its mean; a hard hand also rests and
            takes a short step back.
        turn_s: about how long one turn takes; None leaves it to the hand (3.5 to 7 s).
        pressing_n: steady axial force with which the hub is held inwards, negative; 0 for none.
    """

    turns: float = 3.3
    manner: Manner = "ordinary"
    turn_s: float | None = None
    pressing_n: float = 0.0


@dataclass(frozen=True, slots=True)
class Stops:
    """Turn to stud 1, stop, turn to stud 2, stop …, for `turns` turns with `per_turn` stops each."""

    per_turn: int = 5
    turns: int = 2
    hold_s: tuple[float, float] = (1.0, 1.8)


Action = Rest | Strokes | Turn | Stops


@dataclass(frozen=True, slots=True)
class Hold:
    """A stretch in which the hand held still, seconds within the motion."""

    kind: Literal["pushed", "pulled", "stop"]
    starts_s: float
    ends_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What the hand does to the hub: (m,) arrays over `time_s`, which grows from 0."""

    time_s: FloatArray
    angle_deg: FloatArray
    force_n: FloatArray
    holds: tuple[Hold, ...] = ()

    @property
    def seconds(self) -> float:
        """How long it takes."""
        return float(self.time_s[-1])


def move(action: Action, rng: np.random.Generator, angle_deg: float = 0.0) -> Motion:
    """The motion of one action that begins at hub angle `angle_deg` with no force."""
    match action:
        case Rest(seconds):
            ends = np.array([0.0, max(seconds, STEP_S)])
            return Motion(ends, np.full(2, angle_deg), np.zeros(2))
        case Strokes():
            return _strokes(action, rng, angle_deg)
        case Turn():
            return _turn(action, rng, angle_deg)
        case Stops():
            return _stops(action, rng, angle_deg)


def _strokes(action: Strokes, rng: np.random.Generator, angle_deg: float) -> Motion:
    """Force levels joined by smooth ramps; each hold trembles and gives a little."""
    times, forces = [np.array([0.0])], [np.array([0.0])]
    holds: list[Hold] = []
    now_s, force_n = 0.0, 0.0

    def ramp(to_n: float, seconds: float) -> None:
        nonlocal now_s, force_n
        grid = np.arange(1, max(2, round(seconds / STEP_S)) + 1) * STEP_S
        share = grid / grid[-1]
        times.append(now_s + grid)
        forces.append(force_n + (to_n - force_n) * share * share * (3.0 - 2.0 * share))
        now_s, force_n = now_s + float(grid[-1]), to_n

    def hold(kind: Literal["pushed", "pulled"], seconds: float) -> None:
        nonlocal now_s, force_n
        grid = np.arange(1, round(seconds / STEP_S) + 1) * STEP_S
        tires = rng.uniform(-0.04, 0.01) * grid / grid[-1]
        trembles = 0.01 * np.sin(2.0 * np.pi * (rng.uniform(6.0, 9.0) * grid + rng.random()))
        forces.append(force_n * (1.0 + tires + trembles))
        times.append(now_s + grid)
        holds.append(Hold(kind, now_s, now_s + float(grid[-1])))
        now_s, force_n = now_s + float(grid[-1]), float(forces[-1][-1])

    for _ in range(action.count):
        for kind, sign in (("pushed", -1.0), ("pulled", 1.0)):
            ramp(sign * action.force_n * rng.uniform(0.85, 1.15), rng.uniform(0.25, 0.5))
            hold("pushed" if kind == "pushed" else "pulled", rng.uniform(*action.hold_s))
        lets_go = rng.random() < 0.4 if action.lets_go is None else action.lets_go
        if lets_go:
            ramp(0.0, rng.uniform(0.15, 0.3))
            ramp(0.0, rng.uniform(0.3, 0.9))
    ramp(0.0, 0.25)
    time_s = np.concatenate(times)
    return Motion(time_s, np.full(time_s.size, angle_deg), np.concatenate(forces), tuple(holds))


def _turn(action: Turn, rng: np.random.Generator, angle_deg: float) -> Motion:
    """Speed in degrees a second: a swing that is never more than the manner's, then rests and a step back."""
    turn_s = float(rng.uniform(3.5, 7.0)) if action.turn_s is None else action.turn_s
    wanted_deg = 360.0 * action.turns
    speed = _uneven_speed(action, rng, turn_s)
    if action.manner == "hard":
        speed = _with_rests(speed, rng, wanted_deg)
    if action.manner == "hard" or (action.manner == "ordinary" and rng.random() < 0.3):
        speed = _with_step_back(speed, rng, wanted_deg)
    travelled_deg = np.concatenate([[0.0], np.cumsum(speed) * STEP_S])
    travelled_deg = _braked(travelled_deg, speed, wanted_deg)
    if action.manner != "gentle":
        travelled_deg = np.concatenate([travelled_deg, wanted_deg + _overshoot_deg(rng)])
    time_s = np.arange(travelled_deg.size) * STEP_S
    pressing_n = np.full(time_s.size, action.pressing_n)
    if action.pressing_n:
        settles = np.minimum(1.0, time_s / 0.3)
        pressing_n = action.pressing_n * settles
    return Motion(time_s, angle_deg + travelled_deg, pressing_n)


def _braked(travelled_deg: FloatArray, speed: FloatArray, wanted_deg: float) -> FloatArray:
    """The way up to where the hand brakes, and the 0.2 s in which it comes to stand at `wanted_deg`."""
    at = int(np.argmax(travelled_deg >= wanted_deg))
    brakes = int(np.argmax(travelled_deg >= wanted_deg - 0.1 * abs(float(speed[at - 1]))))
    left_deg = wanted_deg - travelled_deg[brakes]
    share = np.linspace(0.0, 1.0, round(0.2 / STEP_S) + 1)[1:]
    return np.concatenate([travelled_deg[: brakes + 1], wanted_deg - left_deg * (1.0 - share) ** 2])


def _uneven_speed(action: Turn, rng: np.random.Generator, turn_s: float) -> FloatArray:
    """Hand over hand (a dip at every grip) and slow wander together, more than long enough."""
    size = round((action.turns + 1.0) * turn_s * 3.0 / STEP_S) + 200
    time_s = np.arange(size) * STEP_S
    grips_hz = rng.uniform(2.2, 4.2) / turn_s
    drift = np.cumsum(_slow(time_s, rng, 1.2 * turn_s)) * STEP_S
    grips = -np.cos(2.0 * np.pi * (grips_hz * (time_s + 0.25 * drift) + rng.random()))
    share = rng.uniform(0.35, 0.75)
    swing = share * grips + (1.0 - share) * _slow(time_s, rng, 0.8 * turn_s)
    until = round((action.turns + 1.0) * turn_s / STEP_S)
    swing /= np.max(np.abs(swing[:until]))
    uneven = SPEED_SWING[action.manner] * rng.uniform(0.85, 1.0)
    speed = 360.0 / turn_s * (1.0 + uneven * np.clip(swing, -1.0, 1.0))
    begins = np.minimum(1.0, time_s / 0.25)
    return np.asarray(speed * begins * begins * (3.0 - 2.0 * begins))


def _slow(time_s: FloatArray, rng: np.random.Generator, period_s: float) -> FloatArray:
    """A smooth random course of size about 1: a few waves around `period_s` that never line up."""
    periods = period_s * rng.uniform(0.6, 2.2, size=(5, 1))
    phases = rng.uniform(0.0, 2.0 * np.pi, size=(5, 1))
    waves = np.sin(2.0 * np.pi * time_s / periods + phases)
    return np.asarray(waves.sum(axis=0) / np.sqrt(5.0))


def _with_rests(speed: FloatArray, rng: np.random.Generator, wanted_deg: float) -> FloatArray:
    """One to three stand-stills of 0.4 to 1.8 s, run out and taken up within 0.15 s."""
    travelled_deg = np.cumsum(speed) * STEP_S
    for at_deg in np.sort(rng.uniform(0.08, 0.92, size=int(rng.integers(1, 4))))[::-1] * wanted_deg:
        at = int(np.searchsorted(travelled_deg, at_deg))
        slows = np.linspace(1.0, 0.0, 15) * speed[at]
        stands = np.zeros(round(rng.uniform(0.4, 1.8) / STEP_S))
        speed = np.concatenate([speed[:at], slows, stands, slows[::-1], speed[at:]])
    return speed


def _with_step_back(speed: FloatArray, rng: np.random.Generator, wanted_deg: float) -> FloatArray:
    """The hand slips back by 4 to 18 degrees while it takes a new grip."""
    travelled_deg = np.cumsum(speed) * STEP_S
    at = int(np.searchsorted(travelled_deg, rng.uniform(0.15, 0.85) * wanted_deg))
    course = np.sin(np.pi * np.linspace(0.0, 1.0, round(rng.uniform(0.3, 0.7) / STEP_S)))
    back = -rng.uniform(4.0, 18.0) * course**2 / (np.sum(course**2) * STEP_S)
    slows = np.linspace(1.0, 0.0, 12) * speed[at]
    return np.concatenate([speed[:at], slows, back, slows[::-1], speed[at:]])


def _overshoot_deg(rng: np.random.Generator) -> FloatArray:
    """Past the end by 1 to 4 degrees, and back."""
    share = np.linspace(0.0, 1.0, round(rng.uniform(0.3, 0.5) / STEP_S))[1:]
    return np.asarray(rng.uniform(1.0, 4.0) * np.sin(np.pi * share))


def _stops(action: Stops, rng: np.random.Generator, angle_deg: float) -> Motion:
    """Every stop within half a degree of its stud; the first is where the hub stands."""
    times, angles = [np.array([0.0])], [np.array([angle_deg])]
    holds: list[Hold] = []
    now_s, stands_deg = 0.0, angle_deg
    for number in range(action.per_turn * action.turns):
        if number:
            to_deg = angle_deg + 360.0 * number / action.per_turn + rng.uniform(-0.5, 0.5)
            grid = np.arange(1, round(rng.uniform(0.6, 1.1) / STEP_S) + 1) * STEP_S
            share = grid / grid[-1]
            times.append(now_s + grid)
            angles.append(stands_deg + (to_deg - stands_deg) * share * share * (3.0 - 2.0 * share))
            now_s, stands_deg = now_s + float(grid[-1]), float(to_deg)
        seconds = float(rng.uniform(*action.hold_s))
        holds.append(Hold("stop", now_s, now_s + seconds))
        now_s += seconds
        times.append(np.array([now_s]))
        angles.append(np.array([stands_deg]))
    time_s = np.concatenate(times)
    return Motion(time_s, np.concatenate(angles), np.zeros(time_s.size), tuple(holds))
