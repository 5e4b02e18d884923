"""Computes a run anew from its readings: for the maker's pictures and for the verifier's check."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np

from analysis.bore import BoreSetup, measure_bore
from analysis.claim.values import ClaimResult, ClaimRun
from analysis.cleaning import step_of
from analysis.measure import measure_endplay, work_out_runout
from analysis.rest import check_rest
from analysis.runout import Profiles
from analysis.still_cleaning import clean_still
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
    """

    result: ClaimResult
    cleaned: Cleaned
    turns: Turns | None = None
    profiles: Profiles | None = None


def work_out(run: ClaimRun) -> Working:
    """Compute `run` anew from its trace, limit and set-up."""
    header, trace, limit, setup = run.header, run.trace, run.limit, run.header.setup
    if header.kind == "runout":
        worked = work_out_runout(trace, limit=limit, setup=setup, second=header.second)
        profiles = worked.runout.profiles if worked.runout is not None else None
        return Working(worked.result, worked.cleaned or clean_still(trace), worked.turns, profiles)
    if header.kind == "endplay":
        return Working(measure_endplay(trace, limit=limit, setup=setup), clean_still(trace))
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


def aside_table(run: ClaimRun, working: Working) -> bytes | None:
    """Readings set aside, as CSV: row of the trace from 0, time, reading. None if none was."""
    aside = np.flatnonzero(~working.cleaned.kept)
    if not aside.size:
        return None
    lines = ["row,time_s,reading_um"]
    for row in aside.tolist():
        lines.append(f"{row},{run.trace.time_s[row].item()!r},{run.trace.reading_um[row].item()!r}")
    return ("\r\n".join(lines) + "\r\n").encode()


def profile_table(working: Working) -> bytes | None:
    """The surface as CSV: angle, the repeatable form, then each whole turn; mm. None without a whole turn.

    Whoever has no wish to fit turns to readings can compute from it, with nothing but sums and a Fourier
    transform, the run-out of each turn, the repeatable run-out and the orders.
    """
    if working.profiles is None:
        return None
    profiles = working.profiles
    columns = [profiles.angle_deg, profiles.repeatable_um / 1000, *(profiles.turns_um / 1000)]
    names = [
        "angle_deg",
        "repeatable_mm",
        *(f"turn{number}_mm" for number in range(1, len(profiles.turns_um) + 1)),
    ]
    text = io.StringIO()
    text.write(",".join(names) + "\r\n")
    for row in np.column_stack(columns).tolist():
        text.write(",".join("" if value != value else repr(value) for value in row) + "\r\n")
    return text.getvalue().encode()
