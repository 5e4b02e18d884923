"""A result as rows: the columns that are queried, the whole as JSON, and the turns' profiles."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from analysis.results import EndplayResult, Judged, RestResult, RunoutResult
from analysis.trace import FloatArray

FULL_TURN_DEG = 360.0
NM_PER_UM = 1_000.0


def result_row(result: Judged | RestResult) -> dict[str, Any]:
    """The columns of table ``result`` that come from the result itself, lengths in mm."""
    if isinstance(result, RestResult):  # judged against no limit: only the whole says something
        return {"kind": result.kind, "points_to": "", "json": result.model_dump_json()}
    limit, uncertainty = result.limit_mm, result.uncertainty_mm
    return {
        "kind": getattr(result, "kind", "trace"),
        "verdict": result.verdict,
        "value_mm": judged_mm(result),
        "expanded_mm": uncertainty.expanded if uncertainty else None,
        "conformity_probability": result.conformity_probability,
        "limit_max_mm": limit.max if limit else None,
        "limit_good_up_to_mm": limit.good_up_to if limit else None,
        "limit_bad_above_mm": limit.bad_above if limit else None,
        "limit_source": limit.source if limit else None,
        "turns": result.turns.total if isinstance(result, RunoutResult) else None,
        "repeatable_mm": result.fim_mm.repeatable if isinstance(result, RunoutResult) else None,
        "non_repeatable_mm": result.non_repeatable_mm if isinstance(result, RunoutResult) else None,
        "points_to": ", ".join(sorted({pointer.part for pointer in result.points_to})),
        "json": result.model_dump_json(),
    }


def judged_mm(result: Judged) -> float | None:
    """The figure that the limit is held against, mm; None when it could not be had."""
    if isinstance(result, RunoutResult):
        return max(result.fim_mm.per_turn, default=None)
    if isinstance(result, EndplayResult):
        return result.play_mm
    return getattr(result, "value_mm", None)


def profile_rows(result_key: int, profiles: FloatArray | None) -> list[dict[str, Any]]:
    """Rows of table ``turn_profile`` from (turns, angles) micrometres; NaN becomes null."""
    if profiles is None or not profiles.size:
        return []
    step_deg = FULL_TURN_DEG / profiles.shape[1]
    return [
        {"result": result_key, "turn": turn, "step_deg": step_deg, "length_nm": _nm_list(profile_um)}
        for turn, profile_um in enumerate(profiles, start=1)
    ]


def _nm_list(profile_um: FloatArray) -> str:
    values = np.rint(profile_um * NM_PER_UM)
    return json.dumps([None if np.isnan(value) else int(value) for value in values], separators=(",", ":"))
