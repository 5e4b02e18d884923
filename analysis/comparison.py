"""Before and after: how much better a wheel end became, with the change's own uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.uncertainty import combine
from analysis.values import Component, Uncertainty

Direction = Literal["better", "worse", "no change that could be told"]


@dataclass(frozen=True, slots=True)
class Change:
    """After against before of one figure in which less is better.

    Attributes:
        change_um: before minus after; positive is better.
        uncertainty: of the change.
        direction: "better" or "worse" only when the change exceeds its expanded uncertainty.
        text: one sentence, such as ``better by 0.041 mm +- 0.004 mm``.
    """

    change_um: float
    uncertainty: Uncertainty
    direction: Direction
    text: str


def compare(
    before_um: float,
    before: Uncertainty,
    after_um: float,
    after: Uncertainty,
    *,
    shared: frozenset[str] = frozenset(),
) -> Change:
    """The change between two figures.

    Args:
        before_um: as found.
        before: its uncertainty.
        after_um: after the repair.
        after: its uncertainty.
        shared: sources (by name) that act on both figures alike, such as the error of an indicator that
            stood at the same place of its range; these enter with their difference only. None by
            default: taking all sources as independent is on the safe side.

    Source: JCGM 100:2008, 5.1.2; for shared sources 5.2.2 with correlation 1.
    """
    later = {part.source: part for part in after.budget}
    parts = []
    for part in before.budget:
        twin = later.get(part.source)
        if part.source in shared and twin is not None:
            del later[part.source]
            apart = abs(part.standard_um - twin.standard_um)
            dof = min(part.degrees_of_freedom, twin.degrees_of_freedom)
            parts.append(Component(f"{part.source}, both", apart, part.evaluation, dof))
        else:
            parts.append(_named(part, "before"))
    parts += [_named(part, "after") for part in after.budget if part.source in later]
    spread = combine(parts)
    change = before_um - after_um
    if abs(change) <= spread.expanded_um:
        direction: Direction = "no change that could be told"
        text = f"{direction}: {_mm(change)} mm +- {_mm(spread.expanded_um)} mm"
    else:
        direction = "better" if change > 0 else "worse"
        text = f"{direction} by {_mm(abs(change))} mm +- {_mm(spread.expanded_um)} mm"
    return Change(change, spread, direction, text)


def _named(part: Component, when: str) -> Component:
    return Component(f"{part.source}, {when}", part.standard_um, part.evaluation, part.degrees_of_freedom)


def _mm(value_um: float) -> str:
    return f"{value_um / 1000.0:.3f}"
