"""Computes a run anew from its readings: for the maker's pictures and for the verifier's check."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np

from analysis.claim.values import ClaimRun
from analysis.cleaning import clean
from analysis.measure import FEWEST_READINGS, measure_endplay, measure_runout
from analysis.rest import check_rest
from analysis.results import EndplayResult, RestResult, RunoutResult
from analysis.runout import Profiles, take_apart
from analysis.still_cleaning import clean_still
from analysis.told import along_the_axis
from analysis.turns import find_turns
from analysis.values import Cleaned, Turns


@dataclass(frozen=True, slots=True, eq=False)
class Working:
    """What a run's readings say, computed now.

    Attributes:
        cleaned: the readings kept, for the pictures.
        turns: where the hub stood; None unless run-out.
        profiles: the surface on an angle grid; None unless run-out with a whole turn.
    """

    cleaned: Cleaned
    turns: Turns | None = None
    profiles: Profiles | None = None


def work_out(run: ClaimRun) -> Working:
    """What the pictures and the table of profiles need of `run`: the same steps as its measurement."""
    setup, second = run.header.setup, run.header.second
    if run.header.kind != "runout":
        return Working(clean_still(run.trace))
    cleaned, _ = along_the_axis(clean(run.trace, setup), setup)
    if len(run.trace) < FEWEST_READINGS:
        return Working(cleaned)
    face_deg = float(second.partition(":")[2]) if second is not None and second.startswith("face:") else None
    turns = find_turns(cleaned, setup, second_face_deg=face_deg)
    return Working(cleaned, turns, take_apart(cleaned, turns, setup).profiles)


def measure_again(run: ClaimRun) -> RunoutResult | EndplayResult | RestResult:
    """The result of `run` anew, from its trace, limit and set-up; its `file` is None."""
    header = run.header
    if header.kind == "runout":
        return measure_runout(run.trace, limit=run.limit, setup=header.setup, second=header.second)
    if header.kind == "endplay":
        return measure_endplay(run.trace, limit=run.limit, setup=header.setup)
    return check_rest(run.trace, header.setup)


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
