"""A whole measurement at once, as fast as it can be computed, with the truth beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from config.indicators import Indicator
from simulators.bench import Deed, SimulatedBench, State, Touches, Workshop
from simulators.faults import ClockJump, Fault
from simulators.hand import Action, Rest
from simulators.indicator import Gauge, Readings
from simulators.scenarios import Scenario, build
from simulators.truth import StrokesTruth, Truth, TurnTruth

FloatArray = NDArray[np.floating[Any]]
NmArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Marks:
    """How the index mark is tapped.

    Attributes:
        jitter_s: standard deviation of a tap about the mark's passing.
        missed: share of passings without a tap.
        doubled: share of taps that come twice.
    """

    jitter_s: float = 0.08
    missed: float = 0.08
    doubled: float = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class RecordingTruth:
    """What is true of a recording; arrays (n,), one value a reading.

    Attributes:
        angle_deg: hub angle from the index mark, not wrapped.
        movement_um: movement of the surface under the first plunger (out of the vehicle positive), the
            bearing's part included, the holder's left out.
        holder_um: what the holder moved.
        deeds: each action with its own truth and its time, in order.
        workshop: what stood at the bench.
        second_turn: truth of the second plunger's surface, when it stood on one.
    """

    angle_deg: FloatArray
    movement_um: FloatArray
    holder_um: FloatArray
    deeds: tuple[Deed, ...]
    workshop: Workshop
    second_turn: TurnTruth | None = None

    def _first(self, wanted: str) -> Truth:
        found = (deed.truth for deed in self.deeds if getattr(deed.truth, wanted) is not None)
        truth = next(found, None)
        if truth is None:
            raise LookupError(f"this recording holds no {wanted}")
        return truth

    @property
    def turn(self) -> TurnTruth:
        """The truth of the first turning; LookupError without one."""
        turn = self._first("turn").turn
        assert turn is not None
        return turn

    @property
    def strokes(self) -> StrokesTruth:
        """The truth of the first strokes; LookupError without any."""
        strokes = self._first("strokes").strokes
        assert strokes is not None
        return strokes


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """The readings of one measurement. All arrays (n,).

    Attributes:
        time_s: from the first reading's start of the run, never decreasing unless a clock jump was asked for.
        length_nm: the first indicator's readings, whole nanometres, plunger pushed in positive.
        mark: true at the first reading after a tap of the index mark; None when nobody tapped.
        angle_deg: hub angle where an encoder gives it, else None.
        length2_nm: the second indicator's readings in the same rows; None without one.
        inch: true where the indicator showed inches (`length_nm` is then still the true length).
        resolution_nm: the indicator's step.
        truth: what is true.
    """

    time_s: FloatArray
    length_nm: NmArray
    resolution_nm: int
    inch: BoolArray
    truth: RecordingTruth
    mark: BoolArray | None = None
    angle_deg: FloatArray | None = None
    length2_nm: NmArray | None = None

    def __len__(self) -> int:
        return int(self.time_s.size)


def misread(recording: Recording) -> Recording:
    """The recording as a reader has it who takes every number for millimetres."""
    as_mm = np.where(recording.inch, np.rint(recording.length_nm / 25.4), recording.length_nm)
    return replace(recording, length_nm=as_mm.astype(np.int64))


def second_of(text: str) -> Touches:
    """What ``"reference"``, ``"pilot"`` or ``"face:90"`` says of a second indicator.

    Raises:
        ValueError: anything else.
    """
    kind, _, degrees = text.partition(":")
    if kind == "face" and degrees:
        return Touches("face", float(degrees))
    if kind == "reference" and not degrees:
        return Touches("reference")
    if kind == "pilot" and not degrees:
        return Touches("pilot")
    raise ValueError(f"a second indicator touches reference, pilot or face:DEGREES, not {text!r}")


def record(
    workshop: Workshop | Scenario | str,
    actions: Action | Sequence[Action],
    seed: int,
    *,
    indicator: Indicator | None = None,
    gauge: Gauge | None = None,
    second: str | None = None,
    marks: Marks | None = None,
    with_angle: bool = False,
    faults: Sequence[Fault] = (),
    lead_s: tuple[float, float] = (0.6, 1.6),
) -> Recording:
    """Record actions on a bench; the same arguments give the same recording.

    Args:
        workshop: a bench, or a scenario from which `seed` draws one.
        actions: what the hand does, one after another.
        seed: of everything random.
        indicator: a description for `simulators.scenarios.build`.
        gauge: as for `simulators.scenarios.build`; for a bench that is given, it takes the place of its own.
        second: ``"reference"``, ``"pilot"`` or ``"face:90"``: a second indicator like the first.
        marks: how the index mark is tapped; None for not at all.
        with_angle: an encoder gives the angle.
        faults: what goes wrong at the first indicator.
        lead_s: shortest and longest rest before the first action (half of it after the last).
    """
    stands = workshop if isinstance(workshop, Workshop) else build(workshop, seed, indicator, gauge)
    if isinstance(workshop, Workshop) and gauge is not None:
        stands = replace(stands, gauge=gauge)
    if second is not None:
        stands = replace(stands, second=stands.gauge, second_touches=second_of(second))
    bench_rng, tap_rng = np.random.default_rng([seed, 11]).spawn(2)
    bench = SimulatedBench(stands, int(bench_rng.integers(2**62)), faults=tuple(faults))
    before, after = Rest(float(bench_rng.uniform(*lead_s))), Rest(float(bench_rng.uniform(*lead_s)) / 2.0)
    for action in (before, *(actions if isinstance(actions, Sequence) else [actions]), after):
        bench.do(action)
    readings = bench.until(bench.busy_until_s)
    state = bench.state(readings.time_s)
    return Recording(
        time_s=_by_the_clock(readings.time_s, faults),
        length_nm=readings.length_nm,
        resolution_nm=stands.gauge.inch_step_nm if stands.gauge.starts_in == "in" else stands.gauge.step_nm,
        inch=readings.inch,
        truth=_truth(bench, state),
        mark=None if marks is None else _tapped(bench, readings, marks, tap_rng),
        angle_deg=state.angle_deg if with_angle else None,
        length2_nm=bench.second_readings[-1].length_nm if bench.second_readings else None,
    )


def _by_the_clock(time_s: FloatArray, faults: Sequence[Fault]) -> FloatArray:
    shown = time_s.copy()
    for fault in faults:
        if isinstance(fault, ClockJump):
            shown[time_s >= fault.at_s] += fault.by_s
    return shown


def _truth(bench: SimulatedBench, state: State) -> RecordingTruth:
    moved = bench.movement_um(state, bench.workshop.touches)
    turned = [deed.truth.turn for deed in bench.deeds if deed.truth.turn is not None]
    second_turn = None
    if bench.workshop.second and bench.workshop.second_touches.what != "reference" and turned:
        second_turn = bench.turn_truth(turned[0].start_deg, turned[0].end_deg, second=True)
    return RecordingTruth(
        angle_deg=state.angle_deg,
        movement_um=moved - state.holder_um,
        holder_um=state.holder_um,
        deeds=tuple(bench.deeds),
        workshop=bench.workshop,
        second_turn=second_turn,
    )


def _tapped(bench: SimulatedBench, readings: Readings, marks: Marks, rng: np.random.Generator) -> BoolArray:
    """A tap near every passing of the mark, but for those missed."""
    fine_s = np.arange(0.0, bench.busy_until_s, 0.005)
    turns = np.floor(np.maximum.accumulate(bench.state(fine_s).angle_deg) / 360.0)
    passed_s = fine_s[1:][np.diff(turns) > 0]
    passed_s = passed_s[rng.random(passed_s.size) >= marks.missed]
    taps_s = passed_s + marks.jitter_s * rng.normal(size=passed_s.size)
    again_s = taps_s + rng.uniform(0.1, 0.25, size=taps_s.size)
    taps_s = np.concatenate([taps_s, again_s[rng.random(taps_s.size) < marks.doubled]])
    rows = np.searchsorted(readings.time_s, taps_s)
    mark = np.zeros(len(readings), dtype=np.bool_)
    mark[rows[rows < len(readings)]] = True
    return mark
