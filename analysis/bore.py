"""A bore measured with an indicator: size against a setting ring, out-of-round, taper.

How a run appears in a trace (the trace file of the project):

* **Bore gauge at stations.** The gauge was set to zero in the setting ring. Depth by depth, from outside
  in, and at each depth direction by direction, evenly over half a turn (0, 45, 90, 135 degrees), the gauge
  is rocked twice or more and then held still for half a second; the turning point of the rocking is the
  reading. A self-centring gauge is held still at each station instead. With an `angle_deg` column the
  directions come from it, and a direction that comes again begins the next depth.
* **Swept.** With an `angle_deg` column that goes round the whole bore, the indicator was turned about the
  bore's axis with its plunger on the wall; plunger pushed in is a smaller radius.

The figure judged is the difference of diameters at one depth for a gauge (as the trade says
"out of round"; common practice, no published source), and the radial out-of-round about the least-squares
circle (ISO 12181-1) for a sweep; for an oval the first is twice the second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis import uncertainty as budget
from analysis.bore_stations import Station, Stations, find_stations
from analysis.bore_sweep import is_sweep, knuckle, measure_sweep
from analysis.fit import judge_size, size_at_20_mm
from analysis.judge import judge
from analysis.press import BEARING_STEEL, CAST_IRON, Material
from analysis.results import Counts, Reason, Verdict
from analysis.results_bore import BoreResult, DepthOut, StationOut
from analysis.told import limit_out, uncertainty_out
from analysis.trace import Trace
from analysis.values import Component, Note, Setup, Uncertainty
from config.errors import InputError
from config.fits import SizeLimits
from config.lengths import mm_from_um
from config.limits import Limit

SAME_DIRECTION_DEG = 5.0
_WORST: tuple[Verdict, ...] = ("within", "undecided", "not measurable", "over")


@dataclass(frozen=True, slots=True)
class BoreSetup:
    """What is known of the bore run; every field may be left out.

    Attributes:
        directions: directions at each depth; None: from the angle column, else 4, 3 or 2, whichever
            divides the number of stations.
        depths: depths; None: whatever comes out of the directions.
        grows: the reading grows with the bore; None: found from the rocking, else yes.
        ring_mm: the setting ring's diameter at 20 degrees C, None when only the form is wanted.
        ring_standard_um: its standard uncertainty.
        ring_first, ring_last: the first or last station is the setting ring itself.
        knuckle_c, ring_c: temperatures while measuring and while setting.
        temperature_standard_k: how well the two are known against each other.
        knuckle, ring: materials.
        size: limits of the bore's size.
    """

    directions: int | None = None
    depths: int | None = None
    grows: bool | None = None
    ring_mm: float | None = None
    ring_standard_um: float = 1.0
    ring_first: bool = False
    ring_last: bool = False
    knuckle_c: float = 20.0
    ring_c: float = 20.0
    temperature_standard_k: float = 1.0
    knuckle: Material = CAST_IRON
    ring: Material = BEARING_STEEL
    size: SizeLimits | None = None


def measure_bore(
    trace: Trace,
    *,
    limit: Limit | None = None,
    setup: Setup = Setup(),  # noqa: B008 - frozen value
    second: str | None = None,
    file: str | None = None,
    bore: BoreSetup = BoreSetup(),
) -> BoreResult:
    """Measure a bore from one trace.

    Args:
        trace: see the head of this module.
        limit: largest out-of-round (and taper), None to measure only.
        setup: what is known of the indicator.
        second: a second indicator has no meaning in a bore and is refused.
        file: named in the result.
        bore: what is known of the run and of the setting ring.

    Raises:
        InputError: a second indicator, or settings that contradict each other.
    """
    if second is not None:
        raise InputError("a bore is measured with one indicator", where="--second", do="leave it out")
    if bore.size is not None and bore.ring_mm is None:
        raise InputError("limits of size without the setting ring's diameter", where="bore")
    good = np.ones(len(trace), np.bool_) if trace.flag is None else trace.flag == ""
    kept = trace.where(good)
    counts = Counts(used=int(good.sum()), rejected=int((~good).sum()))
    if is_sweep(kept):
        return measure_sweep(kept, counts, limit=limit, setup=setup, file=file, ring_mm=bore.ring_mm)
    stations = find_stations(kept, grows=bore.grows) if len(kept) >= 3 else None
    if stations is None or not stations.found:
        note = Note(
            "no_stations", "No station was found: rock the gauge twice or more at each place, then hold."
        )
        return _nothing(counts, limit, file, stations, note)
    return _from_stations(stations, counts, limit, setup, file, bore)


def _nothing(
    counts: Counts, limit: Limit | None, file: str | None, stations: Stations | None, note: Note
) -> BoreResult:
    return BoreResult(
        file=file,
        method="none",
        places_seen=len(stations.found) if stations else 0,
        readings=counts,
        resolution_mm=mm_from_um(stations.step_um) if stations else None,
        value_mm=None,
        judged_as="nothing",
        uncertainty_mm=None,
        limit_mm=limit_out(limit),
        verdict="not measurable",
        reasons=(Reason(code=note.code, text=note.text),),
    )


def _from_stations(
    stations: Stations, counts: Counts, limit: Limit | None, setup: Setup, file: str | None, bore: BoreSetup
) -> BoreResult:
    notes: list[Note] = []
    if stations.turned_over:
        notes.append(Note("reading_falls", "The reading falls as the bore grows; its sign was turned."))
    places, zero_um, zero_drift_um = _take_off_ring(stations.found, bore)
    depths = _arrange(places, bore, notes)
    if depths is None:
        return _nothing(counts, limit, file, stations, notes[-1])
    figures = [_depth(number, depth, zero_um) for number, depth in enumerate(depths, start=1)]
    spread = _reading_components(stations, places, setup)
    judged = _judge_all(figures, spread, limit, notes)
    size = _size(judged.mean_um, spread, len(places), zero_drift_um, bore)
    size_judged = None
    if size is not None and bore.size is not None:
        size_judged = judge_size((size[0] - bore.size.nominal_mm) * 1000.0, size[1], bore.size)
        notes.extend(size_judged.notes)
    verdict = _worst(judged.verdict, size_judged.verdict if size_judged else None)
    return BoreResult(
        file=file,
        method=stations.method,
        places_seen=len(stations.found),
        readings=counts,
        resolution_mm=mm_from_um(stations.step_um),
        value_mm=mm_from_um(judged.value_um),
        judged_as="largest difference of diameters at one depth",
        uncertainty_mm=uncertainty_out(judged.spread),
        limit_mm=limit_out(limit),
        verdict=verdict,
        conformity_probability=judged.conformity_probability,
        points_to=knuckle(verdict),
        reasons=tuple(Reason(code=note.code, text=note.text) for note in notes),
        stations=tuple(_station_out(n, p, zero_um) for n, d in enumerate(depths, 1) for p in d),
        depths=tuple(figure.out() for figure in figures),
        mean_deviation_mm=mm_from_um(judged.mean_um),
        diameter_mm=None if size is None else round(size[0], 7),
        diameter_standard_mm=None if size is None else mm_from_um(size[1].standard_um),
        size_verdict=size_judged.verdict if size_judged else None,
        size_conformity_probability=size_judged.conformity_probability if size_judged else None,
        two_point_difference_mm=mm_from_um(judged.two_point_um),
        out_of_round_mm=mm_from_um(max(figure.swing_um for figure in figures) / 2.0),
        taper_mm=None if judged.taper_um is None else mm_from_um(judged.taper_um),
        noise_mm=mm_from_um(stations.noise_um),
    )


def _worst(*verdicts: Verdict | None) -> Verdict | None:
    return max((verdict for verdict in verdicts if verdict is not None), key=_WORST.index, default=None)


Place = tuple[float, Station]
"""Direction in degrees (0 to 180) and the station there."""


def _take_off_ring(found: Sequence[Station], bore: BoreSetup) -> tuple[list[Station], float, float]:
    """The stations in the bore, the level of the ring among them (0: as set), and how far it moved."""
    places, ring = list(found), []
    if bore.ring_first and places:
        ring.append(places.pop(0).level_um)
    if bore.ring_last and places:
        ring.append(places.pop().level_um)
    return places, float(np.mean(ring)) if ring else 0.0, float(np.ptp(ring)) if ring else 0.0


def _arrange(places: list[Station], bore: BoreSetup, notes: list[Note]) -> list[list[Place]] | None:
    if not places:
        notes.append(Note("no_stations", "Only the setting ring was measured, not the bore."))
        return None
    if all(place.angle_deg is not None for place in places):
        return _by_angle(places)
    count = len(places)
    each = bore.directions
    if bore.depths is not None and count != bore.depths * (each or count // bore.depths):
        wanted = f"{bore.depths} depths" + (f" of {each} directions" if each else "")
        text = f"{count} stations do not make {wanted}: one is missing or one too many."
        notes.append(Note("stations_do_not_fit", text))
        return None
    if each is None and bore.depths is not None:
        each = count // bore.depths
    if each is None:
        each = next((n for n in (4, 3, 2) if count % n == 0), count)
        text = f"{count} stations were taken as {count // each} depth(s) of {each} direction(s)."
        notes.append(Note("directions_assumed", text))
    if each < 1 or count % each:
        text = (
            f"{count} stations do not make whole depths of {each} directions: one is missing or one too many."
        )
        notes.append(Note("stations_do_not_fit", text))
        return None
    return [
        [(180.0 * k / each, place) for k, place in enumerate(places[first : first + each])]
        for first in range(0, count, each)
    ]


def _by_angle(places: list[Station]) -> list[list[Place]]:
    depths: list[list[Place]] = [[]]
    for place in places:
        assert place.angle_deg is not None
        direction = place.angle_deg % 180.0
        apart = [abs((direction - other + 90.0) % 180.0 - 90.0) for other, _ in depths[-1]]
        if apart and min(apart) < SAME_DIRECTION_DEG:
            depths.append([])
        depths[-1].append((direction, place))
    return depths


@dataclass(frozen=True, slots=True)
class _Depth:
    number: int
    mean_um: float
    two_point_um: float
    swing_um: float
    widest_deg: float | None
    directions: int

    def out(self) -> DepthOut:
        some = self.directions > 1
        return DepthOut(
            depth=self.number,
            mean_deviation_mm=mm_from_um(self.mean_um),
            two_point_difference_mm=mm_from_um(self.two_point_um) if some else None,
            out_of_round_mm=mm_from_um(self.swing_um / 2.0) if some else None,
            widest_deg=self.widest_deg,
        )


def _depth(number: int, places: list[Place], zero_um: float) -> _Depth:
    """Mean, two-point difference and the swing of the oval by least squares (order 2 of the diameter)."""
    angle = np.radians([direction for direction, _ in places])
    level = np.array([place.level_um for _, place in places]) - zero_um
    two_point = float(np.ptp(level))
    if level.size < 3:
        widest = float(np.degrees(angle[np.argmax(level)])) if level.size > 1 else None
        return _Depth(number, float(level.mean()), two_point, two_point, widest, level.size)
    design = np.column_stack([np.ones(level.size), np.cos(2 * angle), np.sin(2 * angle)])
    mean, a, b = (float(v) for v in np.linalg.lstsq(design, level, rcond=None)[0])
    widest = math.degrees(math.atan2(b, a)) / 2.0 % 180.0
    return _Depth(number, mean, two_point, 2.0 * math.hypot(a, b), widest, level.size)


def _station_out(depth: int, place: Place, zero_um: float) -> StationOut:
    direction, station = place
    return StationOut(
        depth=depth,
        direction_deg=direction % 180.0,
        deviation_mm=mm_from_um(station.level_um - zero_um),
        readings=station.readings,
        spread_mm=None if station.spread_um is None else mm_from_um(station.spread_um),
    )


def _reading_components(stations: Stations, places: Sequence[Station], setup: Setup) -> tuple[Component, ...]:
    """Budget of one station's level; sources that two stations share are added by the caller's factor."""
    rocked = stations.method == "rocked"
    spreads = [(p.spread_um, p.readings - 1) for p in places if p.spread_um is not None and p.readings > 1]
    freedom = sum(dof for _, dof in spreads)
    pooled = math.sqrt(sum(s * s * dof for s, dof in spreads) / freedom) if freedom else stations.noise_um
    count = float(np.median([p.readings for p in places]))
    what = (
        f"repeatability of the turning points, about {count:.0f} a station" if rocked else "scatter at rest"
    )
    parts = [
        Component(f"resolution {stations.step_um:g} um", stations.step_um / math.sqrt(12.0), "B"),
        Component(what, pooled / math.sqrt(count), "A", float(max(1, freedom))),
    ]
    error = budget.permissible_error(setup)
    if error is not None:
        # Stated for a difference already: brought back to one reading, for the factor that follows.
        parts.append(Component(error.source, error.standard_um / math.sqrt(2.0), "B"))
    return tuple(parts)


def combine_scaled(parts: Sequence[Component], factor: float) -> Uncertainty:
    """The budget with every source times `factor` (its sensitivity in the judged figure)."""
    return budget.combine(
        Component(p.source, p.standard_um * factor, p.evaluation, p.degrees_of_freedom) for p in parts
    )


@dataclass(frozen=True, slots=True)
class _Form:
    """Form and taper of all depths: the judged figure with its uncertainty, and the worst verdict."""

    value_um: float
    two_point_um: float
    mean_um: float
    taper_um: float | None
    spread: Uncertainty
    verdict: Verdict | None
    conformity_probability: float | None


def _judge_all(
    figures: Sequence[_Depth], parts: Sequence[Component], limit: Limit | None, notes: list[Note]
) -> _Form:
    """Judge out-of-round and taper; `parts` is the budget of one station's level."""
    means = [figure.mean_um for figure in figures]
    two_point = max(figure.two_point_um for figure in figures)
    value = max(two_point, *(figure.swing_um for figure in figures))
    directions = min(figure.directions for figure in figures)
    spread = combine_scaled(parts, max(math.sqrt(2.0), 2.0 * math.sqrt(2.0 / directions)))
    verdict = _judge_form(value, spread, limit, directions, notes)
    taper = means[-1] - means[0] if len(means) > 1 else None
    if taper is not None:
        mean_spread = combine_scaled(parts, math.sqrt(2.0 / directions))
        verdict = _worst(verdict, _judge_taper(abs(taper), mean_spread, limit, notes))
    probability = judge(value, spread, limit).conformity_probability
    return _Form(value, two_point, float(np.mean(means)), taper, spread, verdict, probability)


def _judge_form(
    value_um: float, spread: Uncertainty, limit: Limit | None, directions: int, notes: list[Note]
) -> Verdict | None:
    judged = judge(value_um, spread, limit)
    notes.extend(judged.notes)
    if directions < 3 and judged.verdict == "within":
        text = (
            f"{directions} direction(s) at a depth do not show an oval that lies between them; measure four."
        )
        notes.append(Note("few_directions", text))
        return "undecided"
    if judged.verdict == "over":
        notes.append(
            Note(
                "bore_distorted",
                f"Out of round by {value_um / 1000.0:.4f} mm: the bore gives its shape to the race.",
            )
        )
    return judged.verdict


def _judge_taper(
    taper_um: float, spread: Uncertainty, limit: Limit | None, notes: list[Note]
) -> Verdict | None:
    judged = judge(taper_um, spread, limit)
    if judged.verdict == "over":
        notes.append(Note("bore_tapered", f"The bore tapers by {taper_um / 1000.0:.4f} mm on the diameter."))
    elif judged.verdict == "undecided":
        notes.append(Note("taper_uncertain", f"A taper of {taper_um / 1000.0:.4f} mm is too near the limit."))
    return judged.verdict


def _size(
    mean_um: float, spread: Sequence[Component], count: int, zero_drift_um: float, bore: BoreSetup
) -> tuple[float, Uncertainty] | None:
    """Mean diameter at 20 degrees C in mm, with its uncertainty."""
    if bore.ring_mm is None:
        return None
    size_mm = size_at_20_mm(
        bore.ring_mm,
        mean_um,
        ring_c=bore.ring_c,
        part_c=bore.knuckle_c,
        ring_expansion_per_k=bore.ring.expansion_per_k,
        part_expansion_per_k=bore.knuckle.expansion_per_k,
    )
    # Resolution and permissible error are the same kind of slip at every station: not averaged away.
    parts = [
        Component(p.source, p.standard_um / math.sqrt(count), "A", p.degrees_of_freedom)
        if p.evaluation == "A"
        else Component(p.source + ", bore and ring", p.standard_um * math.sqrt(2.0), "B")
        for p in spread
    ]
    warm_um = bore.ring_mm * 1000.0 * bore.knuckle.expansion_per_k * bore.temperature_standard_k
    parts.append(Component("setting ring", bore.ring_standard_um, "B"))
    parts.append(Component(f"temperature, {bore.temperature_standard_k:g} K", warm_um, "B"))
    if zero_drift_um > 0.0:
        parts.append(budget.drift(zero_drift_um / 2.0))
    return size_mm, budget.combine(parts)
