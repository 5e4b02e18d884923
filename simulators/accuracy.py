"""Measurements with known truth for the accuracy benches: one function, many named cases.

The cases are drawn over what a workshop meets: 5 to 60 um of tilt, 2 to 25 um of saddle, stud pull and
small orders to 20, 8 to 50 readings a second, 2.2 to 6 turns. The indicator has steps and noise but no
error of its own, unless the case is about that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from simulators.bench import Workshop
from simulators.faults import ClockJump, Fault, Gap, Rezero, Spikes, Stuck, UnitSwitch
from simulators.hand import Action, Manner, Stops, Strokes, Turn
from simulators.holder import Holder, Slip, loose
from simulators.hub import Bearing, Bump, Hub, Order, Surface, shaped
from simulators.indicator import Gauge, error_curve
from simulators.recording import Marks, Recording, misread, record

MANNERS: tuple[Manner, ...] = ("gentle", "ordinary", "hard")
STEPS_NM: dict[str, int] = {"1um": 1_000, "10um": 10_000, "12.7um": 12_700}
LEAD_S = (0.6, 1.6)


@dataclass(frozen=True, slots=True)
class Case:
    """What `record` is asked for."""

    workshop: Workshop
    action: Action
    second: str | None = None
    marks: Marks | None = None
    with_angle: bool = False
    faults: tuple[Fault, ...] = ()


def accuracy_case(name: str, seed: int) -> Recording:
    """The recording of case `name` for `seed`.

    Names: ``MANNER-STEP`` for hands gentle, ordinary, hard and steps 1um, 10um, 12.7um; ``marks-MANNER``;
    ``angle``, ``stops``, and the rest of `ACCURACY_CASES`.

    Raises:
        KeyError: no such case.
    """
    rng = np.random.default_rng([seed, sorted(ACCURACY_CASES).index(name), 3])
    case = ACCURACY_CASES[name](rng)
    recorded = record(
        case.workshop,
        case.action,
        int(rng.integers(2**62)),
        second=case.second,
        marks=case.marks,
        with_angle=case.with_angle,
        faults=case.faults,
        lead_s=LEAD_S,
    )
    # A wire that names no unit: the reader takes the inches for millimetres.
    return misread(recorded) if name == "unit-switch" else recorded


def _flange(rng: np.random.Generator, bump: Bump | None = None) -> Surface:
    return shaped(
        rng,
        tilt_um=float(rng.uniform(5.0, 60.0)),
        saddle_um=float(rng.uniform(2.0, 25.0)),
        studs=5,
        stud_pull_um=float(rng.uniform(0.0, 4.0)),
        small_um=float(rng.uniform(0.3, 3.0)),
        bump=bump,
    )


def _bench(rng: np.random.Generator, step_nm: int = 1_000, face: Surface | None = None) -> Workshop:
    """A hub as one meets it, with a bearing in good order."""
    inch = step_nm % 254 == 0
    pilot = shaped(rng, tilt_um=float(rng.uniform(5, 40)), saddle_um=float(rng.uniform(1, 8)), small_um=1.0)
    return Workshop(
        hub=Hub(face=face or _flange(rng), pilot=pilot, bearing=_sound_bearing(rng)),
        gauge=Gauge(
            step_nm=step_nm,
            inch_step_nm=step_nm if inch else 1_270,
            starts_in="in" if inch else "mm",
            rate_hz=float(rng.choice([10.0, 16.0, 25.0, 40.0, 50.0])),
            noise_um=float(rng.uniform(0.15, 0.45)),
        ),
        stands_deg=float(rng.uniform(0.0, 360.0)),
    )


def _sound_bearing(rng: np.random.Generator) -> Bearing:
    return Bearing(
        clearance_um=30.0,
        cage_um=float(rng.uniform(0.0, 0.3)),
        cage_per_turn=float(rng.uniform(0.40, 0.46)),
        cage_deg=float(rng.uniform(0.0, 360.0)),
    )


def _turns(rng: np.random.Generator, manner: Manner = "ordinary", low: float = 2.2) -> Turn:
    return Turn(float(rng.uniform(low, 6.0)), manner)


def _self_found(manner: Manner, step_nm: int) -> Callable[[np.random.Generator], Case]:
    return lambda rng: Case(_bench(rng, step_nm), _turns(rng, manner))


def _marked(manner: Manner) -> Callable[[np.random.Generator], Case]:
    return lambda rng: Case(_bench(rng), _turns(rng, manner), marks=Marks())


def _angle(rng: np.random.Generator) -> Case:
    return Case(_bench(rng), _turns(rng, MANNERS[int(rng.integers(3))]), with_angle=True)


def _stops(rng: np.random.Generator) -> Case:
    per_turn = int(rng.choice([4, 5, 6, 8]))
    return Case(_bench(rng), Stops(per_turn, int(rng.integers(2, 4))))


def _two_on_one_face(rng: np.random.Generator) -> Case:
    return Case(
        _bench(rng),
        _turns(rng, MANNERS[int(rng.integers(3))]),
        second=f"face:{rng.uniform(60.0, 120.0):.1f}",
    )


def _face_and_pilot(rng: np.random.Generator) -> Case:
    return Case(_bench(rng), _turns(rng), second="pilot")


def _reference(rng: np.random.Generator) -> Case:
    """A holder that creeps, bends and slips, and a second indicator that sees it."""
    slips = loose(rng, every_s=(3.0, 6.0), size_um=(5.0, 20.0), seconds=60.0).slips
    holder = Holder(creep_um_per_s=float(rng.uniform(-0.5, 0.5)), slips=slips)
    return Case(replace(_bench(rng), holder=holder), _turns(rng), second="reference")


def _worn_cage(rng: np.random.Generator) -> Case:
    bench = _bench(rng)
    bearing = replace(bench.hub.bearing, cage_um=3.0)
    return Case(replace(bench, hub=replace(bench.hub, bearing=bearing)), _turns(rng))


def _pure_order_2(rng: np.random.Generator) -> Case:
    """Only even orders: every half turn repeats the one before."""
    orders = tuple(
        Order(number, amplitude, float(rng.uniform(0.0, 360.0 / number)))
        for number, amplitude in ((2, float(rng.uniform(8, 30))), (4, float(rng.uniform(0, 3))))
    )
    return Case(_calm(_bench(rng, face=Surface(orders))), _turns(rng))


def _flat(rng: np.random.Generator) -> Case:
    orders = (Order(1, 0.1, float(rng.uniform(0, 360))), Order(2, 0.05, float(rng.uniform(0, 180))))
    return Case(_calm(_bench(rng, face=Surface(orders))), _turns(rng))


def _calm(bench: Workshop) -> Workshop:
    return replace(bench, hub=replace(bench.hub, bearing=replace(bench.hub.bearing, cage_um=0.0)))


def _one_turn(rng: np.random.Generator) -> Case:
    return Case(_bench(rng), Turn(float(rng.uniform(0.9, 1.4)), MANNERS[int(rng.integers(3))]))


def _amid(rng: np.random.Generator, action: Turn) -> tuple[Turn, float]:
    """The turning with a pace that is known, and an instant well inside it."""
    turn_s = float(rng.uniform(3.5, 7.0))
    return replace(action, turn_s=turn_s), LEAD_S[1] + turn_s * action.turns * float(rng.uniform(0.2, 0.75))


def _slip(rng: np.random.Generator) -> Case:
    action, at_s = _amid(rng, _turns(rng))
    size_um = float(rng.uniform(15.0, 60.0) * rng.choice([-1.0, 1.0]))
    return Case(replace(_bench(rng), holder=Holder(slips=(Slip(at_s, size_um),))), action)


def _rezero(rng: np.random.Generator) -> Case:
    action, at_s = _amid(rng, _turns(rng))
    return Case(_bench(rng), action, faults=(Rezero(at_s),))


def _spikes(rng: np.random.Generator) -> Case:
    return Case(_bench(rng), _turns(rng), faults=(Spikes(0.02),))


def _curved_drift(rng: np.random.Generator) -> Case:
    holder = Holder(
        settle_um=float(rng.uniform(8.0, 25.0) * rng.choice([-1.0, 1.0])),
        settle_s=float(rng.uniform(5.0, 20.0)),
    )
    return Case(replace(_bench(rng), holder=holder), _turns(rng))


def _narrow_bump(rng: np.random.Generator) -> Case:
    bump = Bump(float(rng.uniform(6.0, 12.0)), float(rng.uniform(0.0, 360.0)), float(rng.uniform(8.0, 16.0)))
    bench = _bench(rng, face=_flange(rng, bump))
    return Case(replace(bench, gauge=replace(bench.gauge, rate_hz=50.0)), _turns(rng))


def _unit_switch(rng: np.random.Generator) -> Case:
    action, at_s = _amid(rng, _turns(rng))
    return Case(_bench(rng), action, faults=(UnitSwitch(at_s),))


def _stuck(rng: np.random.Generator) -> Case:
    action, at_s = _amid(rng, _turns(rng))
    return Case(_bench(rng), action, faults=(Stuck(at_s, at_s + float(rng.uniform(1.5, 3.0))),))


def _gap(rng: np.random.Generator) -> Case:
    action, at_s = _amid(rng, _turns(rng))
    return Case(_bench(rng), action, faults=(Gap(at_s, at_s + float(rng.uniform(0.5, 2.0))),))


def _clock_jump(rng: np.random.Generator) -> Case:
    action, at_s = _amid(rng, _turns(rng))
    return Case(_bench(rng), action, faults=(ClockJump(at_s, float(rng.uniform(30.0, 90.0))),))


def _whole_budget(manner: Manner) -> Callable[[np.random.Generator], Case]:
    """Everything the uncertainty budget names at once: error curve, hysteresis, slant, drift."""

    def case(rng: np.random.Generator) -> Case:
        bench = _bench(rng)
        gauge = replace(
            bench.gauge,
            error=error_curve(rng, 3.0, bench.gauge.range_um),
            hysteresis_um=float(rng.uniform(0.0, 0.6)),
            plunger_angle_deg=float(abs(rng.normal(0.0, 2.0))),
        )
        holder = Holder(creep_um_per_s=float(rng.uniform(-0.05, 0.05)))
        return Case(replace(bench, gauge=gauge, holder=holder), _turns(rng, manner))

    return case


def _endplay(step_nm: int) -> Callable[[np.random.Generator], Case]:
    """Three strokes, uneven holds, hands let go between, a holder that creeps a little."""

    def case(rng: np.random.Generator) -> Case:
        bench = _bench(rng, step_nm)
        bearing = Bearing(
            clearance_um=float(rng.uniform(15.0, 220.0)),
            give_um=float(rng.uniform(0.6, 2.0)),
            hysteresis_um=float(rng.uniform(0.1, 0.6)),
        )
        holder = Holder(creep_um_per_s=float(rng.uniform(-0.15, 0.15)))
        return Case(
            replace(bench, hub=replace(bench.hub, bearing=bearing), holder=holder),
            Strokes(3, force_n=float(rng.uniform(150.0, 300.0))),
        )

    return case


ACCURACY_CASES: dict[str, Callable[[np.random.Generator], Case]] = {
    **{f"{m}-{name}": _self_found(m, step) for m in MANNERS for name, step in STEPS_NM.items()},
    **{f"marks-{m}": _marked(m) for m in MANNERS},
    **{f"budget-{m}": _whole_budget(m) for m in MANNERS},
    "angle": _angle,
    "stops": _stops,
    "two-on-one-face": _two_on_one_face,
    "face-and-pilot": _face_and_pilot,
    "reference": _reference,
    "worn-cage": _worn_cage,
    "pure-order-2": _pure_order_2,
    "flat": _flat,
    "one-turn": _one_turn,
    "slip": _slip,
    "re-zero": _rezero,
    "spikes": _spikes,
    "curved-drift": _curved_drift,
    "narrow-bump": _narrow_bump,
    "unit-switch": _unit_switch,
    "stuck": _stuck,
    "gap": _gap,
    "clock-jump": _clock_jump,
    **{f"endplay-{name}": _endplay(step) for name, step in STEPS_NM.items()},
}
