"""Traces of pushing and pulling with a known play, by other means than the project's simulator.

Levels joined by smooth moves: the hub rests somewhere, is pushed and held, pulled and held, and at times
let go between, when it goes to a level of its own. Held levels creep in the direction of the hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.trace import Trace


@dataclass(frozen=True, slots=True)
class Pushing:
    """How it is done; lengths in um, a pair is drawn evenly between its ends."""

    strokes: int = 3
    play_um: tuple[float, float] = (10.0, 150.0)
    rate_hz: tuple[float, ...] = (8.0, 10.0, 20.0, 50.0)
    hold_s: tuple[float, float] = (0.5, 2.0)
    lets_go: float = 0.35
    scatter_um: tuple[float, float] = (0.0, 0.6)
    creep_um: tuple[float, float] = (0.0, 1.5)
    noise_um: tuple[float, float] = (0.2, 0.6)
    drift_um_s: float = 0.03
    ends_at_rest: bool = True


@dataclass(frozen=True, slots=True)
class Pushed:
    """A trace with its truth: the movement between the held levels, half way through their creep."""

    trace: Trace
    play_um: float


def push_and_pull(seed: int, step_um: float, how: Pushing = Pushing()) -> Pushed:
    """Draw one trace; the same seed gives the same."""
    rng = np.random.default_rng([seed, 41])
    play, noise = rng.uniform(*how.play_um), rng.uniform(*how.noise_um)
    scatter, creep, settles_s = (
        rng.uniform(*how.scatter_um),
        rng.uniform(*how.creep_um),
        rng.uniform(0.3, 1.5),
    )
    own = rng.uniform(0.2, 0.8) * play
    at_s, level = [0.0], [own]
    holds: list[tuple[float, float, float]] = []

    def go(to_um: float, move_s: float, stay_s: float) -> None:
        begin = at_s[-1] + move_s
        at_s.extend([begin, begin + stay_s])
        level.extend([to_um, to_um])

    go(own, 0.1, rng.uniform(0.5, 1.5))
    for _ in range(how.strokes):
        for side in (0.0, 1.0):
            go(
                side * play + scatter * rng.standard_normal(),
                rng.uniform(0.15, 0.6),
                rng.uniform(*how.hold_s),
            )
            holds.append((at_s[-2], at_s[-1], 2.0 * side - 1.0))
            if rng.random() < how.lets_go:
                go(own, rng.uniform(0.15, 0.3), rng.uniform(0.3, 1.0))
    if how.ends_at_rest:
        go(own, 0.3, rng.uniform(0.4, 1.0))
    time_s = np.arange(0.0, at_s[-1], 1.0 / rng.choice(how.rate_hz))
    time_s = np.maximum.accumulate(time_s + rng.uniform(0.0, 0.16, time_s.size) * time_s[1])
    piece = np.clip(np.searchsorted(at_s, time_s, side="right") - 1, 0, len(at_s) - 2)
    share = np.clip((time_s - np.take(at_s, piece)) / np.maximum(np.diff(at_s)[piece], 1e-9), 0.0, 1.0)
    reading = np.take(level, piece) + np.diff(level)[piece] * share * share * (3.0 - 2.0 * share)
    for begins, ends, sign in holds:
        held = (time_s >= begins) & (time_s <= ends)
        reading[held] -= sign * creep / 2.0 * np.expm1(-(time_s[held] - begins) / settles_s)
    reading += rng.uniform(-200.0, 200.0) + how.drift_um_s * rng.standard_normal() * time_s
    reading += noise * rng.standard_normal(time_s.size)
    return Pushed(
        Trace(time_s, np.round(reading / step_um) * step_um, resolution_um=step_um), play + creep / 2
    )
