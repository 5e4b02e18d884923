"""Which part the figures point to, and why, one sentence each.

Signs of the table that need a person's eyes or hands (rough turning, seal damage, grease loss, a groove
on the flange) come from the inspection in the job record, not from a trace, and are not here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analysis.results import PointsTo, Verdict

RULES_FRACTION = 0.5
"""An order rules when its swing is at least this part of the largest order's swing and of nothing less
than `RULES_OF_REPEATABLE` of the repeatable run-out; so two orders of like size are both named."""
RULES_OF_REPEATABLE = 0.3
LARGE_OF_LIMIT = 0.1
"""The non-repeatable run-out is large above this part of the limit and above `LARGE_NOISES` noises plus
one step of the indicator (our choice; no published source)."""
LARGE_NOISES = 6.0
LARGE_WITHOUT_LIMIT_UM = 5.0


@dataclass(frozen=True, slots=True)
class RunoutFigures:
    """What the choice of a part needs of a run-out measurement, um.

    Attributes:
        verdict: of the largest turn against the limit.
        repeatable_um: full movement of the repeatable part; None when it could not be had.
        non_repeatable_um: largest spread at one angle; None when it could not be had.
        amplitude_um: half the swing of each order.
        noise_um, resolution_um: of one reading.
    """

    verdict: Verdict | None
    repeatable_um: float | None
    non_repeatable_um: float | None
    amplitude_um: Mapping[int, float]
    noise_um: float
    resolution_um: float


def ruling_orders(amplitude_um: Mapping[int, float], repeatable_um: float) -> tuple[int, ...]:
    """The orders that make up the repeatable run-out, largest first; see `RULES_FRACTION`."""
    largest_um = max(amplitude_um.values(), default=0.0)
    ruling = [
        order
        for order, amplitude in amplitude_um.items()
        if amplitude >= RULES_FRACTION * largest_um and 2.0 * amplitude >= RULES_OF_REPEATABLE * repeatable_um
    ]
    return tuple(sorted(ruling, key=lambda order: -amplitude_um[order]))


def non_repeatable_is_large(figures: RunoutFigures, limit_um: float | None) -> bool:
    """Whether the non-repeatable part is more than noise and step explain, and counts beside the limit."""
    if figures.non_repeatable_um is None:
        return False
    share_um = LARGE_OF_LIMIT * limit_um if limit_um is not None else LARGE_WITHOUT_LIMIT_UM
    explained_um = LARGE_NOISES * figures.noise_um + figures.resolution_um
    return figures.non_repeatable_um > max(share_um, explained_um)


def runout_points_to(
    figures: RunoutFigures, *, limit_um: float | None, studs: int | None, holder_moved: bool | None
) -> tuple[PointsTo, ...]:
    """What a run-out measurement points to.

    Args:
        figures: what was measured.
        limit_um: the limit's accepted length, None without one.
        studs: stud count of the flange, None when not known.
        holder_moved: what the rest check said, None when there was none.
    """
    found: list[PointsTo] = []
    over = figures.verdict == "over"
    if over and figures.repeatable_um is not None and _is_repeatable(figures, limit_um):
        found += _flange(figures, studs)
    if non_repeatable_is_large(figures, limit_um):
        found.append(_bearing_or_holder(figures, holder_moved))
    elif holder_moved:
        found.append(PointsTo(part="holder", why="The rest check saw the holder move: fasten it first."))
    return tuple(found)


def _is_repeatable(figures: RunoutFigures, limit_um: float | None) -> bool:
    """The repeatable part alone is over, or is the larger part of what is over."""
    assert figures.repeatable_um is not None
    if limit_um is not None and figures.repeatable_um > limit_um:
        return True
    return figures.repeatable_um >= (figures.non_repeatable_um or 0.0)


def _flange(figures: RunoutFigures, studs: int | None) -> list[PointsTo]:
    assert figures.repeatable_um is not None
    found: list[PointsTo] = []
    ruling = ruling_orders(figures.amplitude_um, figures.repeatable_um)
    stud_orders = {2} | ({studs} if studs is not None else {4, 5, 6})
    warping = [order for order in ruling if order in stud_orders]
    if 1 in ruling:
        found.append(
            PointsTo(
                part="flange",
                why=f"Once per turn rules ({_swing(figures, 1)}): the flange is not square to the axis "
                "(bent, dirt or a burr under it, or not seated).",
            )
        )
    if warping:
        names = " and ".join(f"{order} per turn ({_swing(figures, order)})" for order in warping)
        found.append(
            PointsTo(part="flange", why=f"{names} rules: the flange is warped, or pulled at the studs.")
        )
    if not found:
        found.append(
            PointsTo(
                part="flange",
                why="The run-out repeats every turn but no single order rules: look for dirt, a burr or "
                "a damaged spot on the flange face.",
            )
        )
    return found


def _swing(figures: RunoutFigures, order: int) -> str:
    return f"swing {2.0 * figures.amplitude_um[order] / 1000.0:.3f} mm"


def _bearing_or_holder(figures: RunoutFigures, holder_moved: bool | None) -> PointsTo:
    assert figures.non_repeatable_um is not None
    size = f"{figures.non_repeatable_um / 1000.0:.3f} mm of the run-out do not repeat from turn to turn"
    if holder_moved:
        return PointsTo(
            part="holder",
            why=f"{size}, and the rest check saw the holder move: fasten it and measure again.",
        )
    if holder_moved is None:
        return PointsTo(
            part="bearing",
            why=f"{size}: bearing worn or loose, unless the holder moved (make a rest check to tell).",
        )
    return PointsTo(
        part="bearing", why=f"{size}, and the holder stood still at the rest check: bearing worn or loose."
    )


def waits_for_rest_check(why: str) -> bool:
    """Whether a sentence of `runout_points_to` blames the bearing only while nobody looked at the holder.

    Read from the sentence, since results and packs of every version have it so.
    """
    return why.endswith("unless the holder moved (make a rest check to tell).")


def endplay_points_to(
    verdict: Verdict | None, *, freshly_fitted: bool, holder_moved: bool | None
) -> tuple[PointsTo, ...]:
    """What an end-play measurement points to.

    Args:
        verdict: of the end play against the limit.
        freshly_fitted: a new bearing was just fitted.
        holder_moved: what the rest check said, None when there was none.
    """
    found: list[PointsTo] = []
    if holder_moved:
        found.append(
            PointsTo(part="holder", why="The rest check saw the holder move: fasten it and measure again.")
        )
    if verdict != "over":
        return tuple(found)
    found.append(
        PointsTo(
            part="bearing",
            why="End play is over the limit: bearing worn or loose; a bearing of this kind is replaced, "
            "never opened or used again.",
        )
    )
    if freshly_fitted:
        found.append(
            PointsTo(
                part="hub nut",
                why="End play right after a new bearing was fitted: the hub nut is not at its torque, or "
                "was not torqued with the wheels on the ground.",
            )
        )
    return tuple(found)
