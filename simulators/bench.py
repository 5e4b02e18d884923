"""The bench: hub, hand, holder and indicator together, giving readings as time goes by.

The readings never stop: between actions the hub is at rest. Time is that of the injected clock, so a
bench runs at real pace or as fast as it is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from config.clock import NS_PER_S, Clock
from simulators.faults import Fault
from simulators.hand import Action, Motion, Rest, Stops, Strokes, Turn, move
from simulators.holder import Holder
from simulators.hub import Hub, Seat, follow
from simulators.indicator import Gauge, Reader, Readings
from simulators.truth import StrokesTruth, Truth, TurnTruth

FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Touches:
    """What a plunger stands on.

    Attributes:
        what: the flange face, the pilot's diameter, or a fixed reference on the knuckle or holder's foot
            (which sees only what the holder does).
        at_deg: for a face, how much further round than the first plunger in the direction of turning:
            a point of the flange comes under this plunger after the hub has turned that much more.
    """

    what: Literal["face", "pilot", "reference"] = "face"
    at_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Workshop:
    """Everything that stands at one simulated bench. Angles from the index mark.

    Attributes:
        hub, holder, gauge: the hub, what carries the indicator, and the indicator.
        touches: what the indicator stands on.
        second, second_touches: a second indicator, read at the instants of the first.
        stands_deg: where the hub stands at the start.
    """

    hub: Hub = field(default_factory=Hub)
    holder: Holder = field(default_factory=Holder)
    gauge: Gauge = field(default_factory=Gauge)
    touches: Touches = field(default_factory=Touches)
    second: Gauge | None = None
    second_touches: Touches = field(default_factory=lambda: Touches("reference"))
    stands_deg: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Deed:
    """One action of the hand on the bench, with when it happens (seconds of the bench) and what is true."""

    action: Action
    starts_s: float
    motion: Motion
    axial_um: FloatArray
    truth: Truth

    @property
    def ends_s(self) -> float:
        """When it is over."""
        return self.starts_s + self.motion.seconds


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The hub and the holder at some instants; all (n,)."""

    angle_deg: FloatArray
    axial_um: FloatArray
    force_n: FloatArray
    holder_um: FloatArray


class SimulatedBench:
    """A simulated bench.

    Args:
        workshop: what stands there.
        seed: of everything random that happens.
        clock: the bench's time starts at this clock's now; without one only `until` moves it.
        faults: what goes wrong at the indicator.
    """

    def __init__(
        self, workshop: Workshop, seed: int, clock: Clock | None = None, faults: tuple[Fault, ...] = ()
    ) -> None:
        self.workshop = workshop
        self.clock = clock
        streams = np.random.default_rng(seed).spawn(3)
        self._hand = streams[0]
        self.reader = Reader(workshop.gauge, streams[1], faults)
        self._second = Reader(workshop.second, streams[2]) if workshop.second else None
        self.second_readings: list[Readings] = []
        self._start_ns = clock.monotonic_ns() if clock else 0
        self._seat = Seat()
        rest, _ = follow(workshop.hub.bearing, np.zeros(1), self._seat)
        self._rest_um = float(rest[0])
        self._stands = (workshop.stands_deg, self._rest_um)
        self.deeds: list[Deed] = []
        start = self.state(np.zeros(1))  # where the plungers were zeroed
        self._zero_um = float(self.movement_um(start, workshop.touches)[0])
        self._second_zero_um = float(self.movement_um(start, workshop.second_touches)[0])

    @property
    def now_s(self) -> float:
        """Seconds since the bench was set up (of the clock; without one, the end of what was ordered)."""
        if self.clock is None:
            return self.busy_until_s
        return (self.clock.monotonic_ns() - self._start_ns) / NS_PER_S

    @property
    def busy_until_s(self) -> float:
        """When the hand has done all that was ordered."""
        return self.deeds[-1].ends_s if self.deeds else 0.0

    def do(self, action: Action) -> Deed:
        """Order an action: it begins now, or when the hand has done what was ordered before."""
        starts_s = max(self.busy_until_s, self.now_s)
        angle_deg, axial_um = self._stands
        motion = move(action, self._hand, angle_deg)
        if np.any(motion.force_n) or self._seat.carried_n:
            axial, self._seat = follow(self.workshop.hub.bearing, motion.force_n, self._seat)
        else:
            axial = np.full(motion.time_s.size, axial_um)
        deed = Deed(action, starts_s, motion, axial, self._truth(action, motion, axial, starts_s))
        self._stands = (float(motion.angle_deg[-1]), float(axial[-1]))
        self.deeds.append(deed)
        return deed

    def _truth(self, action: Action, motion: Motion, axial: FloatArray, starts_s: float) -> Truth:
        ends = np.array([starts_s, starts_s + motion.seconds])
        holder_um = float(np.diff(self.workshop.holder.movement_um(ends))[0])
        match action:
            case Turn() | Stops():
                first, last = float(motion.angle_deg[0]), float(motion.angle_deg[-1])
                return Truth(turn=self.turn_truth(first, last), holder_um=holder_um)
            case Strokes():
                levels: dict[str, list[float]] = {"pushed": [], "pulled": [], "stop": []}
                for hold in motion.holds:
                    held = (motion.time_s >= hold.starts_s) & (motion.time_s <= hold.ends_s)
                    levels[hold.kind].append(float(np.mean(axial[held])))
                strokes = StrokesTruth(tuple(levels["pushed"]), tuple(levels["pulled"]))
                return Truth(strokes=strokes, holder_um=holder_um)
            case Rest():
                return Truth(holder_um=holder_um)

    def turn_truth(self, first_deg: float, last_deg: float, *, second: bool = False) -> TurnTruth:
        """What is true of turning from one cumulative angle to another, under the first or second plunger."""
        touches = self.workshop.second_touches if second else self.workshop.touches
        hub = self.workshop.hub
        surface = hub.pilot if touches.what == "pilot" else hub.face
        turned = replace(
            surface,
            orders=tuple(replace(o, peak_deg=o.peak_deg + touches.at_deg) for o in surface.orders),
            bumps=tuple(replace(b, at_deg=b.at_deg + touches.at_deg) for b in surface.bumps),
        )
        return TurnTruth(turned, hub.bearing, first_deg, last_deg, touches.at_deg)

    def state(self, time_s: FloatArray) -> State:
        """Hub and holder at instants, in seconds of the bench; growing."""
        angle = np.full(time_s.size, self.workshop.stands_deg)
        axial = np.full(time_s.size, self._rest_um)
        force = np.zeros(time_s.size)
        for deed in self._deeds_from(time_s):
            after = slice(int(np.searchsorted(time_s, deed.starts_s)), None)
            into_s = time_s[after] - deed.starts_s
            motion = deed.motion
            angle[after] = np.interp(into_s, motion.time_s, motion.angle_deg)
            axial[after] = np.interp(into_s, motion.time_s, deed.axial_um)
            force[after] = np.interp(into_s, motion.time_s, motion.force_n, right=0.0)
        return State(angle, axial, force, self.workshop.holder.movement_um(time_s, force))

    def _deeds_from(self, time_s: FloatArray) -> list[Deed]:
        """The deeds that matter for these instants: from the last one begun before the first of them."""
        if not time_s.size:
            return []
        from_here = 0
        for index in range(len(self.deeds) - 1, -1, -1):
            if self.deeds[index].starts_s <= time_s[0]:
                from_here = index
                break
        return self.deeds[from_here:]

    def movement_um(self, state: State, touches: Touches) -> FloatArray:
        """How far what a plunger touches moves it, the holder's own movement included."""
        if touches.what == "reference":
            return state.holder_um
        hub = self.workshop.hub
        if touches.what == "pilot":
            turning = hub.pilot.movement_um(state.angle_deg)
            return turning + hub.bearing.wobble_um(state.angle_deg) + state.holder_um
        turning = hub.face.movement_um(state.angle_deg - touches.at_deg)
        wobble = hub.bearing.wobble_um(state.angle_deg, touches.at_deg)
        return turning + wobble + state.axial_um + state.holder_um

    def until(self, time_s: float) -> Readings:
        """The readings not yet taken, up to `time_s` of the bench."""
        instants = self.reader.instants_s(time_s)
        state = self.state(instants)
        moved = self.movement_um(state, self.workshop.touches)
        if self._second is not None:
            second = self.movement_um(state, self.workshop.second_touches)
            self.second_readings.append(self._second.read(instants, second - self._second_zero_um))
        return self.reader.read(instants, moved - self._zero_um)

    def next_s(self) -> float:
        """When the next reading is due."""
        return self.reader.next_s()

    def due(self) -> Readings:
        """The readings that have become due by the clock."""
        return self.until(self.now_s)
