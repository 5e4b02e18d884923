"""A knuckle's bore and a bore gauge in it: size, taper, oval, and what the indicator shows meanwhile.

The gauge spans the bore; tilted by an angle it spans ``D / cos``: rocked from one side to the other, its
shortest span is the diameter. It was set to zero in a setting ring. Its plunger is pushed in where the bore
is narrow, so that readings fall as the bore grows, unless the gauge turns the sense round.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from config.clock import NS_PER_S, Clock
from simulators.indicator import Gauge, Reader, Readings

FloatArray = NDArray[np.floating[Any]]

REFERENCE_C = 20.0
EXPANSION_PER_K = {"cast iron": 10.5e-6, "cast steel": 11.5e-6, "aluminium": 23.0e-6, "bearing steel": 12e-6}
"""Rounded handbook values of linear expansion, from memory."""
FREE_UM = 1_200.0
"""How much wider than the ring the gauge spans in the air."""
STEP_S = 0.01


@dataclass(frozen=True, slots=True)
class Bore:
    """A bore at 20 degrees C. Depths count from 0 (outside) to 1 (inside); directions 0 to 180 degrees.

    Attributes:
        diameter_mm: mean diameter half way in.
        taper_um: mean diameter inside minus outside.
        oval_um: largest minus smallest diameter at one depth (order 2 of the radius).
        widest_deg: direction of the largest diameter.
        material: of the knuckle.
    """

    diameter_mm: float = 74.0
    taper_um: float = 0.0
    oval_um: float = 4.0
    widest_deg: float = 30.0
    material: str = "cast iron"

    def diameter_at_mm(self, depth: float, direction_deg: float) -> float:
        """The diameter at one place, mm at 20 degrees C."""
        swing_um = self.oval_um / 2.0 * np.cos(np.radians(2.0 * (direction_deg - self.widest_deg)))
        return self.diameter_mm + (self.taper_um * (depth - 0.5) + float(swing_um)) / 1000.0


@dataclass(frozen=True, slots=True)
class Gauging:
    """How a technician gauges a bore.

    Attributes:
        directions, depths: places, direction by direction evenly over half a turn, depth by depth inwards.
        rocks: through the axis, at each place.
        ring_first, ring_last: the setting ring is gauged before and after.
        knuckle_c, ring_c: temperatures.
    """

    directions: int = 4
    depths: int = 2
    rocks: int = 3
    ring_first: bool = False
    ring_last: bool = False
    knuckle_c: float = REFERENCE_C
    ring_c: float = REFERENCE_C


@dataclass(frozen=True, slots=True, eq=False)
class GaugingDeed:
    """One gauging on the bench: when, the span's course, and the diameters gauged, at 20 degrees C."""

    action: Gauging
    starts_s: float
    time_s: FloatArray
    span_um: FloatArray
    diameters_mm: FloatArray = field(default_factory=lambda: np.empty((0, 0)))

    @property
    def ends_s(self) -> float:
        """When it is over."""
        return self.starts_s + float(self.time_s[-1])

    @property
    def two_point_um(self) -> float:
        """Largest difference of diameters gauged at one depth."""
        return float(np.max(np.ptp(self.diameters_mm, axis=1))) * 1000.0

    @property
    def taper_um(self) -> float:
        """Mean of the last depth minus that of the first."""
        means = self.diameters_mm.mean(axis=1)
        return float(means[-1] - means[0]) * 1000.0

    @property
    def mean_mm(self) -> float:
        """Mean of all diameters gauged."""
        return float(self.diameters_mm.mean())


class BoreBench:
    """A bore, a setting ring and an indicator in a bore gauge; readings as time goes by.

    Args:
        bore: the bore.
        ring_mm: diameter of the setting ring at 20 degrees C, in which the gauge was set to zero.
        gauge: the indicator.
        seed: of everything random.
        clock: the bench's time starts at its now; without one only `until` moves it.
        grows: the reading grows with the bore.
    """

    def __init__(
        self,
        bore: Bore,
        ring_mm: float,
        gauge: Gauge,
        seed: int,
        clock: Clock | None = None,
        *,
        grows: bool = False,
    ) -> None:
        self.bore, self.ring_mm, self.grows = bore, ring_mm, grows
        self._hand, reading = np.random.default_rng([seed, 13]).spawn(2)
        self.reader = Reader(gauge, reading)
        self._clock = clock
        self._start_ns = clock.monotonic_ns() if clock else 0
        self.deeds: list[GaugingDeed] = []

    @property
    def now_s(self) -> float:
        """Seconds since the bench was set up (without a clock, the end of what was ordered)."""
        if self._clock is None:
            return self.busy_until_s
        return (self._clock.monotonic_ns() - self._start_ns) / NS_PER_S

    @property
    def busy_until_s(self) -> float:
        """When the hand has done all that was ordered."""
        return self.deeds[-1].ends_s if self.deeds else 0.0

    def do(self, action: Gauging) -> GaugingDeed:
        """Order a gauging: it begins now, or when the hand has done what was ordered before."""
        spans, diameters = self._spans(action)
        times, course = self._course(spans, action.rocks)
        deed = GaugingDeed(action, max(self.busy_until_s, self.now_s), times, course, diameters)
        self.deeds.append(deed)
        return deed

    def _spans(self, action: Gauging) -> tuple[list[float], FloatArray]:
        """What the gauge spans square at each place, in um beyond its zero, and the bore's diameters."""
        depths = np.linspace(0.0, 1.0, action.depths) if action.depths > 1 else np.array([0.5])
        angles = 180.0 / action.directions * np.arange(action.directions)
        diameters = np.array([[self.bore.diameter_at_mm(d, a) for a in angles] for d in depths])
        grown = 1.0 + EXPANSION_PER_K[self.bore.material] * (action.knuckle_c - REFERENCE_C)
        zero_mm = self.ring_mm * (1.0 + EXPANSION_PER_K["bearing steel"] * (action.ring_c - REFERENCE_C))
        spans = [(float(mm) * grown - zero_mm) * 1000.0 for mm in diameters.ravel()]
        return [0.0] * action.ring_first + spans + [0.0] * action.ring_last, diameters

    def _course(self, spans_um: list[float], rocks: int) -> tuple[FloatArray, FloatArray]:
        """Time and span: in from the air, rocked and held at each place, out again."""
        rng = self._hand
        square_um = self.ring_mm * 1000.0
        pieces = [np.full(_steps(1.2), FREE_UM)]
        tilt = float(rng.uniform(1.6, 2.4))
        for span_um in spans_um:
            held = _tilted(span_um, square_um, np.array([tilt]))
            pieces.append(np.linspace(pieces[-1][-1], held[0], _steps(0.4)))
            pieces.append(np.full(_steps(float(rng.uniform(0.7, 1.0))), held[0]))
            for _ in range(rocks):
                other = -float(np.sign(tilt)) * float(rng.uniform(1.6, 2.8))
                seconds = float(rng.uniform(0.9, 1.4))
                swing = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, _steps(seconds)))
                pieces.append(_tilted(span_um, square_um, tilt + (other - tilt) * swing))
                tilt = other
            pieces.append(np.full(_steps(0.3), pieces[-1][-1]))
        pieces.append(np.full(_steps(float(rng.uniform(0.7, 1.0))), pieces[-1][-1]))
        pieces.append(np.linspace(pieces[-1][-1], FREE_UM, _steps(0.4)))
        pieces.append(np.full(_steps(1.0), FREE_UM))
        course = np.concatenate(pieces)
        return STEP_S * np.arange(course.size), course

    def _movement_um(self, time_s: FloatArray) -> FloatArray:
        span = np.full(time_s.size, FREE_UM)
        for deed in self.deeds:
            inside = (time_s >= deed.starts_s) & (time_s <= deed.ends_s)
            span[inside] = np.interp(time_s[inside] - deed.starts_s, deed.time_s, deed.span_um)
        return span if self.grows else -span

    def until(self, time_s: float) -> Readings:
        """The readings not yet taken, up to `time_s` of the bench."""
        instants = self.reader.instants_s(time_s)
        return self.reader.read(instants, self._movement_um(instants))

    def next_s(self) -> float:
        """When the next reading is due."""
        return self.reader.next_s()

    def due(self) -> Readings:
        """The readings that have become due by the clock."""
        return self.until(self.now_s)


def _steps(seconds: float) -> int:
    return max(2, round(seconds / STEP_S))


def _tilted(span_um: float, square_um: float, tilt_deg: FloatArray) -> FloatArray:
    """What a gauge spans that is tilted in a bore: exact, ``D / cos``; um beyond its zero."""
    whole: FloatArray = (square_um + span_um) / np.cos(np.radians(tilt_deg)) - square_um
    return whole


def gauge_bore(
    bore: Bore,
    action: Gauging,
    seed: int,
    *,
    ring_mm: float = 74.0,
    gauge: Gauge | None = None,
    grows: bool = False,
) -> tuple[Readings, GaugingDeed]:
    """Gauge a bore as fast as it can be computed; the same arguments give the same readings."""
    bench = BoreBench(bore, ring_mm, gauge or Gauge(noise_um=0.2, hysteresis_um=0.2), seed, grows=grows)
    deed = bench.do(action)
    return bench.until(bench.busy_until_s), deed
