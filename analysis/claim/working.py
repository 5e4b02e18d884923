"""Computes a run anew from its readings: for the maker's tables and for the verifier's check."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.bore import BoreSetup, measure_bore
from analysis.claim.values import ClaimResult, ClaimRun
from analysis.cleaning import step_of
from analysis.endplay import EndPlay
from analysis.measure import work_out_endplay, work_out_runout
from analysis.rest import check_rest
from analysis.runout import Profiles
from analysis.still_cleaning import clean_still
from analysis.surface import Posed
from analysis.trace import Trace
from analysis.values import Cleaned, Turns


@dataclass(frozen=True, slots=True, eq=False)
class Working:
    """What a run's readings say, computed now.

    Attributes:
        result: the result anew; its `file` is None.
        cleaned: the readings kept, for the pictures.
        turns: where the hub stood; None unless run-out.
        profiles: the surface on an angle grid; None unless run-out with a whole turn.
        play: pushes and pulls; None unless end play.
        posed: the linear problem that the surface answers; None as `profiles`.
        begins_deg: hub angle at which each whole turn begins in it.
    """

    result: ClaimResult
    cleaned: Cleaned
    turns: Turns | None = None
    profiles: Profiles | None = None
    play: EndPlay | None = None
    posed: Posed | None = None
    begins_deg: tuple[float, ...] = ()


def work_out(run: ClaimRun) -> Working:
    """Compute `run` anew from its trace, limit and set-up."""
    header, trace, limit, setup = run.header, run.trace, run.limit, run.header.setup
    if header.kind == "runout":
        worked = work_out_runout(trace, limit=limit, setup=setup, second=header.second)
        cleaned = worked.cleaned or clean_still(trace)
        if worked.runout is None:
            return Working(worked.result, cleaned, worked.turns)
        return Working(
            worked.result,
            cleaned,
            worked.turns,
            worked.runout.profiles,
            posed=worked.runout.posed,
            begins_deg=tuple(np.rad2deg(worked.runout.begins_rad).tolist()),
        )
    if header.kind == "endplay":
        found = work_out_endplay(trace, limit=limit, setup=setup)
        return Working(found.result, found.cleaned or clean_still(trace), play=found.play)
    if header.kind == "bore":
        bore = header.bore or BoreSetup()
        return Working(measure_bore(trace, limit=limit, setup=setup, bore=bore), _as_flagged(trace))
    return Working(check_rest(trace, setup, limit=limit), clean_still(trace))


def _as_flagged(trace: Trace) -> Cleaned:
    """The readings that were not rejected at capture; nothing else is set aside in a bore."""
    good = np.ones(len(trace), np.bool_) if trace.flag is None else trace.flag == ""
    kept = trace.where(good)
    step_um = step_of(kept.reading_um, trace.resolution_um)
    return Cleaned(kept, good, (), False, step_um / 12**0.5, step_um, np.zeros(len(kept)))
