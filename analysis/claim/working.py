"""Computes a run anew from its readings, as the pack's maker for the pictures and as its verifier for the check."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np

from analysis.claim.values import ClaimRun
from analysis.cleaning import clean
from analysis.measure import measure_endplay, measure_runout
from analysis.rest import check_rest
from analysis.results import EndplayResult, RestResult, RunoutResult
from analysis.runout import Profiles, take_apart
from analysis.turns import find_turns
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

    result: RunoutResult | EndplayResult | RestResult
    cleaned: Cleaned
    turns: Turns | None = None
    profiles: Profiles | None = None


def work_out(run: ClaimRun) -> Working:
    """Compute `run` anew from its trace, limit and set-up."""
    setup = run.header.setup
    cleaned = clean(run.trace, setup)
    if run.header.kind == "runout":
        turns = find_turns(cleaned, setup)
        result = measure_runout(run.trace, limit=run.limit, setup=setup, second=run.header.second)
        return Working(result, cleaned, turns, take_apart(cleaned, turns, setup).profiles)
    if run.header.kind == "endplay":
        return Working(measure_endplay(run.trace, limit=run.limit, setup=setup), cleaned)
    return Working(check_rest(run.trace, setup), cleaned)


def profile_table(working: Working) -> bytes | None:
    """The surface as CSV: angle, the repeatable form, then each whole turn; mm. None without a whole turn.

    Whoever has no wish to fit turns to readings can compute from it, with nothing but sums and a Fourier
    transform, the run-out of each turn, the repeatable run-out and the orders.
    """
    if working.profiles is None:
        return None
    profiles = working.profiles
    columns = [profiles.angle_deg, profiles.repeatable_um / 1000, *(profiles.turns_um / 1000)]
    names = ["angle_deg", "repeatable_mm", *(f"turn{number}_mm" for number in range(1, len(profiles.turns_um) + 1))]
    text = io.StringIO()
    text.write(",".join(names) + "\r\n")
    for row in np.column_stack(columns).tolist():
        text.write(",".join("" if value != value else repr(value) for value in row) + "\r\n")
    return text.getvalue().encode()
