"""The JSON Schema of each kind of result."""

from __future__ import annotations

from typing import Any

from analysis import results
from analysis.results import Model
from analysis.results_bore import BoreResult

DIALECT = "https://json-schema.org/draft/2020-12/schema"

RESULTS: dict[str, type[Model]] = {
    "runout": results.RunoutResult,
    "endplay": results.EndplayResult,
    "bore": BoreResult,
    "rest": results.RestResult,
}


def result_schema(kind: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every printed result of `kind` validates against."""
    model = RESULTS[kind]
    return {
        "$schema": DIALECT,
        "$id": f"urn:hubproof:result:{kind}",
        **model.model_json_schema(mode="serialization"),
    }
