"""A look at a run that goes on: what it would come to, and what it has shown so far, for the pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.results import EndplayResult
from capture.measuring import SURE, AnyResult, measure
from capture.messages import RunRequest, SoFar
from config.clock import NS_PER_S

if TYPE_CHECKING:
    from analysis.measure import WorkedRunout
    from analysis.trace import Trace
    from analysis.values import Setup

KNOT_DEG = 10.0
"""Between two told angles a hub turns evenly enough for a picture."""
FULL_TURN_DEG = 360.0


def look(
    run: str,
    request: RunRequest,
    trace: Trace,
    setup: Setup,
    started_t_ns: int,
    wanted: Callable[[], bool] = lambda: True,
) -> tuple[AnyResult | None, SoFar | None]:
    """The result without a limit, and what is shown of it; None where there is nothing yet.

    Args:
        run: id of the run.
        request: what was asked.
        trace: the readings so far.
        setup: of the instrument.
        started_t_ns: monotonic clock at the start of the run.
        wanted: whether the look is still of use; asked again and again.

    Raises:
        NotWantedError: `wanted` said no before the turns were found.
    """
    if request.kind != "runout":
        result = measure(request, trace, None, setup)
        if isinstance(result, EndplayResult) and result.strokes:
            return result, SoFar(run=run, strokes=result.strokes, play_mm=result.play_mm)
        return result, None
    from analysis.measure import work_out_runout
    from analysis.wanted import only_while

    with only_while(wanted):
        worked = work_out_runout(trace, setup=setup)
    return worked.result, _angles(run, worked, started_t_ns)


def between_marks(run: str, passed_ns: Sequence[int]) -> SoFar:
    """The angle as the index marks alone tell it, for as long as no look at the readings knows better."""
    angles = tuple(FULL_TURN_DEG * turn for turn in range(len(passed_ns)))
    return SoFar(run=run, from_mark=True, t_ns=tuple(passed_ns), angle_deg=angles)


def _angles(run: str, worked: WorkedRunout, started_t_ns: int) -> SoFar | None:
    """The hub's angle over time, once a whole turn was surely seen."""
    turns, cleaned = worked.turns, worked.cleaned
    if turns is None or cleaned is None or turns.angle_deg is None:
        return None
    marked = turns.found_by in ("marks", "angle")
    if turns.confidence < SURE and not (marked and turns.complete):
        return None  # two marks make a turn, whatever lies before and after them
    angle = np.asarray(turns.angle_deg)
    known = np.flatnonzero(np.isfinite(angle))
    if known.size < 2 or np.ptp(angle[known]) < FULL_TURN_DEG:
        return None
    knots = _knots(angle, known)
    t_ns = started_t_ns + np.rint(cleaned.trace.time_s[knots] * NS_PER_S).astype(np.int64)
    return SoFar(
        run=run,
        from_mark=marked,
        t_ns=tuple(t_ns.tolist()),
        angle_deg=tuple(np.round(angle[knots], 1).tolist()),
    )


def _knots(angle_deg: NDArray[np.floating[Any]], known: NDArray[np.intp]) -> NDArray[np.intp]:
    """Readings whose angle is told: about one each `KNOT_DEG`, the first and the last."""
    keep = np.concatenate([[True], np.diff(np.floor(angle_deg[known] / KNOT_DEG)) != 0])
    keep[-1] = True
    chosen: NDArray[np.intp] = known[keep]
    return chosen
