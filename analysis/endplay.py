"""End play from strokes: how far the hub travels between pushed in and pulled out.

Pushes and pulls are found as rest levels, without a key. The play is the step between the pushed and the
pulled levels, fitted over all holds together with a straight drift (least squares): a holder that creeps
evenly does not enter it. The mean of the strokes is judged, not the largest: the largest of n grows with n
by scatter alone. Strokes that fell short are set aside first, and said. What the hub gives elastically
under the hands is part of the movement, as it is for a technician who reads the indicator.

Sign: plunger pushed in is positive, so the pulled level is the higher one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis import uncertainty
from analysis.held_levels import HeldLevel, held_levels
from analysis.holds import Hold, Holds, find_holds
from analysis.levels import RestLevel, find_rest_levels
from analysis.one_way import one_way
from analysis.trace import FloatArray
from analysis.values import Cleaned, Component, Note, Setup

ONE_STROKE_SCATTER = 0.1
"""Half-width, as a part of the play, that is assumed where strokes were not repeated (our choice)."""
CREEP_DOUBT = 0.35
"""Half-width, as a part of the mean creep in a hold, of the doubt where in the hold the level is taken."""
GIVE_BACK_DOUBT = 1.0
"""The same where holds give back instead: hands that let go unseen within a hold look like that."""
HELD_AT_LEAST = 0.55
"""Least part of the time in which hands that push and pull hold still (our choice: simulated strokes with
holds from 0.5 s hold 0.64 and more, simulated turning 0.57 and less in an ordinary hand)."""
FEW_STROKES = 3
MANY_HOLDS = 8
STANDS_OUT = 2.4
"""Robust standard deviations beyond which one of `MANY_HOLDS` or more holds of a side is named."""
LOOKS = 4
"""Rounds in which rests and their noise are found from each other, at most."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """One push and one pull, in either order."""

    pushed_um: float
    pulled_um: float

    @property
    def play_um(self) -> float:
        """Pulled minus pushed."""
        return self.pulled_um - self.pushed_um


@dataclass(frozen=True, slots=True)
class EndPlay:
    """End play of one trace, um. None where a figure could not be had (see notes).

    Attributes:
        strokes: in order of time.
        play_um: travel between the held levels; what is judged.
        repeatability_um: standard deviation of a stroke's play.
        zero_return_um: how far the levels moved from the first to the last visit of the same side.
        creep_um: mean movement in a hold in the direction of the hand.
        noise_um: scatter of the readings in a hold.
        components: uncertainty budget of `play_um` as far as the readings go; the indicator's own
            error, plunger angle and temperature are added by the measurement.
        readings_used: readings in holds.
        holds: the pushes and pulls that the play was fitted to, in order of time.
        levels: the level of each.
        level_weights: what each level counts for in the fit, relative to each other.
        notes: what limits the figures.
    """

    strokes: tuple[Stroke, ...] = ()
    play_um: float | None = None
    repeatability_um: float | None = None
    zero_return_um: float | None = None
    creep_um: float | None = None
    noise_um: float | None = None
    components: tuple[Component, ...] = ()
    readings_used: int = 0
    holds: tuple[Hold, ...] = ()
    levels: tuple[HeldLevel, ...] = ()
    level_weights: tuple[float, ...] = ()
    notes: tuple[Note, ...] = ()


def find_strokes(cleaned: Cleaned, setup: Setup | None = None) -> EndPlay:
    """Find pushes and pulls in a cleaned trace and the play between them.

    Args:
        cleaned: steps of the readings must not have been taken for a slip or a re-zero.
        setup: nothing in it changes what is found; accepted so that every step is called alike.
    """
    step_um = cleaned.resolution_um
    rests, noise_um = _rests(cleaned)
    found = find_holds(rests, noise_um, step_um)
    holds = found.holds
    # One stroke shows at most: rest, push, hands off, pull, hands off, rest.
    disagree = found.disagree or (len(holds) == 2 and len(rests) > 6)
    kept_one_way = one_way(cleaned.trace.reading_um, step_um) if len(holds) > 1 or disagree else None
    if kept_one_way is not None:
        return EndPlay(notes=(kept_one_way,))
    if len(holds) < 2 or disagree:
        return EndPlay(notes=(_why_none(rests, disagree, cleaned),))
    held = _held_share(rests, holds, cleaned.trace.time_s)
    if held < HELD_AT_LEAST:
        return EndPlay(notes=(_not_held(held),))
    scatter_um = _scatter_um([rest for hold in holds for rest in hold.rests])
    levels = held_levels(holds, cleaned.trace.reading_um, step_um, scatter_um)
    strokes = _strokes(holds, levels)
    fit = _fit(holds, levels)
    return EndPlay(
        strokes=strokes,
        play_um=fit.play_um,
        repeatability_um=_spread(strokes),
        zero_return_um=_zero_return(holds),
        creep_um=math.fsum(hold.creep_um for hold in holds) / len(holds),
        noise_um=max(scatter_um, step_um / math.sqrt(12.0)),
        components=_components(holds, levels, fit, cleaned),
        readings_used=sum(hold.count for hold in holds),
        holds=tuple(holds),
        levels=tuple(levels),
        level_weights=tuple(_weights(holds, levels).tolist()),
        notes=(*_notes(found, strokes), *_standing_out(holds, fit, step_um)),
    )


def _held_share(rests: Sequence[RestLevel], holds: Sequence[Hold], time_s: FloatArray) -> float:
    """Part of the time from the first hold to the last in which the hub rested at some level, 0 to 1."""
    first_s = min(rest.start_s for hold in holds for rest in hold.rests)
    last_s = max(rest.end_s for hold in holds for rest in hold.rests)
    between_s = float(np.median(np.diff(time_s)))  # a rest lasts until the next reading
    inside = (rest for rest in rests if first_s <= rest.start_s <= last_s)
    return math.fsum(rest.end_s - rest.start_s + between_s for rest in inside) / (
        last_s - first_s + between_s
    )


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _not_held(held: float) -> Note:
    return Note(
        "not_held",
        f"The hub was held still for only {held:.0%} of the time, so this is no pushing and pulling: was it "
        "turned? Push in and hold a second, pull out and hold a second.",
    )


def _rests(cleaned: Cleaned) -> tuple[tuple[RestLevel, ...], float]:
    """Rest levels, and the noise with which they were found: it is taken from the rests themselves."""
    trace, noise_um = cleaned.trace, cleaned.noise_um
    rests: tuple[RestLevel, ...] = ()
    for _ in range(LOOKS):
        rests = find_rest_levels(trace.time_s, trace.reading_um, noise_um)
        seen_um = max(_usual_scatter_um(rests), cleaned.resolution_um / math.sqrt(12.0))
        if not rests or 0.8 < seen_um / noise_um < 1.25:
            break
        noise_um = seen_um
    return rests, noise_um


def _usual_scatter_um(rests: Sequence[RestLevel]) -> float:
    """Median scatter of a rest: one in which hands let go unseen does not raise it."""
    return float(np.median([rest.scatter_um for rest in rests])) if rests else 0.0


def _strokes(holds: Sequence[Hold], levels: Sequence[HeldLevel]) -> tuple[Stroke, ...]:
    pairs = zip(holds[::2], levels[::2], levels[1::2], strict=False)
    return tuple(
        Stroke(other.level_um, one.level_um) if first.pulled else Stroke(one.level_um, other.level_um)
        for first, one, other in pairs
    )


def _why_none(rests: tuple[RestLevel, ...], disagree: bool, cleaned: Cleaned) -> Note:
    if disagree:
        return Note(
            "levels_disagree",
            "The held levels do not come back stroke after stroke: the holder slipped, or the strokes were "
            "too uneven. Fasten the holder, then push and pull to the stops.",
        )
    readings = cleaned.trace.reading_um
    travel_um = float(np.ptp(readings)) if readings.size else 0.0
    if travel_um <= max(6.0 * cleaned.noise_um, 1.01 * cleaned.resolution_um):
        return Note(
            "no_motion",
            "The readings moved by no more than noise and one step: the hub was not pushed and pulled, or "
            "its play is below what this indicator shows.",
        )
    if not rests:
        return Note(
            "no_rest_levels",
            "The readings never stood still: hold each push and each pull for at least half a second.",
        )
    return Note(
        "one_level",
        "The hub was held at one level only: push it in and hold, then pull it out and hold.",
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    """Least squares over the holds: level = offset + drift x time + slips + play x side (+-1/2).

    Attributes:
        play_um: the play.
        left_um: (holds,) level less fit.
        weights: (holds,) play = weights . levels; so errors of levels carry over.
        residual_um: standard deviation of a hold about the fit; 0 without freedom.
        freedom: holds minus fitted values.
    """

    play_um: float
    left_um: FloatArray
    weights: FloatArray
    residual_um: float
    freedom: int


def _fit(holds: tuple[Hold, ...], held: Sequence[HeldLevel]) -> _Fit:
    levels = np.array([one.level_um for one in held])
    side = np.array([0.5 if hold.pulled else -0.5 for hold in holds])
    middle_s = np.array([hold.middle_s for hold in holds])
    columns = [side, np.ones(levels.size)]
    if levels.size > 2:
        columns.append(middle_s - middle_s.mean())
    slipped = np.array([hold.slipped_um for hold in holds])
    # One more column a slip: its size is fitted again, so that its uncertainty enters the play's.
    columns += [(np.arange(levels.size) > k).astype(np.float64) for k in np.flatnonzero(np.diff(slipped))]
    design = np.stack(columns, axis=1)
    # A level known sharply counts for more; holds that share their error count as one.
    root = np.sqrt(_weights(holds, held))
    inverse = np.linalg.pinv(design * root[:, None]) * root
    solved = inverse @ levels
    freedom = max(0, levels.size - design.shape[1])
    left = levels - design @ solved
    residual = math.sqrt(float(left @ left) / freedom) if freedom > 0 else 0.0
    return _Fit(float(solved[0]), left, inverse[0], residual, freedom)


def _weights(holds: Sequence[Hold], held: Sequence[HeldLevel]) -> FloatArray:
    where = [(hold.pulled, one.place) for hold, one in zip(holds, held, strict=True)]
    standard = np.array([one.standard_um for one in held])
    usual = float(np.mean(standard))
    if usual <= 0.0 or np.ptp(standard) < 0.01 * usual:
        return np.ones(len(held))
    shared = np.array([where.count(one) for one in where])
    return np.asarray(1.0 / (standard**2 * shared + (0.1 * usual) ** 2), np.float64)


def _spread(strokes: tuple[Stroke, ...]) -> float | None:
    if len(strokes) < 2:
        return None
    return float(np.std([stroke.play_um for stroke in strokes], ddof=1))


def _zero_return(holds: tuple[Hold, ...]) -> float | None:
    """Mean over the sides that were visited twice or more of last level minus first level."""
    moved = []
    for pulled in (False, True):
        levels = [hold.level_um for hold in holds if hold.pulled is pulled]
        if len(levels) > 1:
            moved.append(levels[-1] - levels[0])
    return math.fsum(moved) / len(moved) if moved else None


def _scatter_um(rests: Sequence[RestLevel]) -> float:
    """Scatter of a reading about its rest; 0 when every rest shows one value only."""
    freedom = sum(max(0, rest.count - 2) for rest in rests)
    squares = math.fsum(rest.scatter_um**2 * max(0, rest.count - 2) for rest in rests)
    return math.sqrt(squares / freedom) if freedom else 0.0


def _components(
    holds: tuple[Hold, ...], held: Sequence[HeldLevel], fit: _Fit, cleaned: Cleaned
) -> tuple[Component, ...]:
    step_um = cleaned.resolution_um
    parts = [
        Component(
            f"resolution {step_um:g} um, {name} level",
            _step_part_um(pulled, holds, held, fit),
            "B",
            distribution="rectangular",
        )
        for pulled, name in ((False, "pushed"), (True, "pulled"))
    ]
    if fit.freedom > 0:
        text = f"repeatability of {len(holds)} holds"
        parts.append(
            Component(text, fit.residual_um * float(np.linalg.norm(fit.weights)), "A", float(fit.freedom))
        )
    else:
        half_um = ONE_STROKE_SCATTER * abs(fit.play_um)
        text = f"strokes too few to show their repeatability; +-{half_um:.3g} um assumed"
        parts.append(Component(text, uncertainty.rectangular_um(half_um), "B"))
    creep_um = math.fsum(hold.creep_um for hold in holds) / len(holds)
    if creep_um != 0.0:
        doubt = CREEP_DOUBT if creep_um > 0.0 else GIVE_BACK_DOUBT
        text = f"creep of {creep_um:+.3g} um while held: where in the hold the level is taken"
        parts.append(Component(text, uncertainty.rectangular_um(doubt * abs(creep_um)), "B"))
    if cleaned.correction_standard_um > 0.0:
        parts.append(Component("corrections made to the readings", cleaned.correction_standard_um, "B"))
    return tuple(parts)


def _step_part_um(pulled: bool, holds: Sequence[Hold], held: Sequence[HeldLevel], fit: _Fit) -> float:
    """What the indicator's step leaves of one side's level in the play.

    Holds at the same place of the steps share their rounding error; others round independently.
    """
    together: dict[int, float] = {}
    for hold, one, weight in zip(holds, held, fit.weights, strict=True):
        if hold.pulled is pulled:
            together[one.place] = together.get(one.place, 0.0) + float(weight) * one.standard_um
    return math.hypot(*together.values())


def _notes(found: Holds, strokes: tuple[Stroke, ...]) -> tuple[Note, ...]:
    notes = [
        Note(
            "holder_slipped",
            f"All readings from one hold on lie {slip_um / 1000.0:+.4f} mm away: the holder slipped or the "
            "zero was set anew; the levels after it were shifted back. Fasten the holder and measure again.",
        )
        for slip_um in found.slips_um
    ]
    if found.short:
        notes.append(
            Note(
                "stroke_set_aside",
                f"{_counted(found.short, 'level')} short of a full push or pull set aside: hands off, "
                "or a stroke not carried through.",
            )
        )
    if len(strokes) < FEW_STROKES:
        notes.append(
            Note(
                "few_strokes",
                f"Only {_counted(len(strokes), 'complete stroke')} seen; {FEW_STROKES} or more show how well "
                "they repeat.",
            )
        )
    return tuple(notes)


def _standing_out(holds: tuple[Hold, ...], fit: _Fit, step_um: float) -> tuple[Note, ...]:
    """Holds that stand out from many others of their side; said, and kept in the figure."""
    notes = []
    for pulled in (False, True):
        places = [k for k, hold in enumerate(holds) if hold.pulled is pulled]
        if len(places) < MANY_HOLDS:
            continue
        away = fit.left_um[places] - np.median(fit.left_um[places])
        usual_um = 1.4826 * float(np.median(np.abs(away)))
        for k, off_um in zip(places, away.tolist(), strict=True):
            if abs(off_um) > max(STANDS_OUT * usual_um, 2.0 * step_um):
                where = "pulled" if pulled else "pushed"
                notes.append(
                    Note(
                        "hold_stands_out",
                        f"The {where} level at {holds[k].middle_s:.1f} s lies {off_um / 1000.0:+.4f} mm from "
                        "the others of its side: look for a slip of the hand or of the pen.",
                    )
                )
    return tuple(notes)
