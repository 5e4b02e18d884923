"""What goes wrong at the indicator and on its wire, each with the instant at which it happens.

Instants are seconds of the bench, lengths micrometres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np


@dataclass(frozen=True, slots=True)
class Rezero:
    """The zero key is pressed: the next reading is 0 where the plunger stands (or `preset_um`)."""

    at_s: float
    preset_um: float = 0.0


@dataclass(frozen=True, slots=True)
class UnitSwitch:
    """The unit key is pressed."""

    at_s: float
    to: Literal["mm", "in"] = "in"


@dataclass(frozen=True, slots=True)
class HoldKey:
    """The hold key: the shown value freezes, and the status says so where the format has one."""

    at_s: float
    until_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Stuck:
    """The same value again and again although the plunger moves; the status says nothing."""

    at_s: float
    until_s: float = math.inf


@dataclass(frozen=True, slots=True)
class LowBattery:
    """The status says that the battery is low; the readings go on."""

    at_s: float
    until_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Gap:
    """No readings come (out of reach, plug loose)."""

    at_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class Spikes:
    """Dirt under the plunger: a share of the readings is off by `from_um` to `to_um`, mostly upwards."""

    share: float
    from_um: float = 30.0
    to_um: float = 250.0
    upwards: float = 0.8


@dataclass(frozen=True, slots=True)
class ClockJump:
    """The receiving computer's time leaps by `by_s` (a recorded file's clock, never a monotonic one)."""

    at_s: float
    by_s: float


Fault = Rezero | UnitSwitch | HoldKey | Stuck | LowBattery | Gap | Spikes | ClockJump


@dataclass(frozen=True, slots=True)
class WireFaults:
    """What happens to bytes on their way. Each is the share of messages that suffer it.

    Attributes:
        garbage: random bytes come before the message.
        torn: the message comes in two or more pieces.
        cut: the end of the message is lost.
        doubled: the message comes twice.
        flipped: one bit is wrong.
        seed: of the dice.
    """

    garbage: float = 0.0
    torn: float = 0.0
    cut: float = 0.0
    doubled: float = 0.0
    flipped: float = 0.0
    seed: int = 0

    def dice(self) -> np.random.Generator:
        """The generator to pass to `spoil`."""
        return np.random.default_rng(self.seed)


def spoil(message: bytes, faults: WireFaults, rng: np.random.Generator) -> list[bytes]:
    """The pieces in which `message` arrives; joined they are the message unless bytes were spoiled."""
    thrown = rng.random(5)
    if thrown[0] < faults.flipped and message:
        at = int(rng.integers(len(message)))
        message = message[:at] + bytes([message[at] ^ (1 << int(rng.integers(8)))]) + message[at + 1 :]
    if thrown[1] < faults.cut and len(message) > 1:
        message = message[: int(rng.integers(1, len(message)))]
    pieces = [message]
    if thrown[2] < faults.torn and len(message) > 1:
        cuts = [0, *sorted({int(at) for at in rng.integers(1, len(message), size=2)}), len(message)]
        pieces = [message[a:b] for a, b in pairwise(cuts)]
    if thrown[3] < faults.doubled:
        pieces = [*pieces, message]
    if thrown[4] < faults.garbage:
        pieces = [rng.bytes(int(rng.integers(1, 12))), *pieces]
    return pieces
