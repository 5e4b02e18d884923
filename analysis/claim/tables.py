"""The description of a pack's CSV files: a Frictionless Data Package (v1), each column with its UCUM unit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.claim.bag import sha256
from analysis.claim.documents import UCUM

COLUMNS = {
    "time_s": ("number", "seconds from the start of the run"),
    "reading_mm": ("number", "what the indicator showed, plunger pushed in positive"),
    "reading_um": ("number", "what the indicator showed, plunger pushed in positive"),
    "reading_in": ("number", "what the indicator showed, plunger pushed in positive"),
    "reading2_mm": ("number", "second indicator, same row"),
    "reading2_um": ("number", "second indicator, same row"),
    "reading2_in": ("number", "second indicator, same row"),
    "mark": ("integer", "1 in the row in which the index mark passed"),
    "angle_deg": ("number", "hub angle, growing in the direction of turning"),
    "flag": ("string", "why the reading was rejected; empty for a good one"),
    "value_mm": ("number", "the reading as it was used (empty: set aside); of a run the judged figure"),
    "turn": ("integer", "number of the whole turn, from 1"),
    "hold": ("integer", "number of the push or pull, from 1"),
    "side": ("string", "pushed or pulled"),
    "first_row": ("integer", "row of the first reading of it, the first reading of the trace being 0"),
    "last_row": ("integer", "row of the last reading of it"),
    "level_first_row": ("integer", "row of the first reading whose mean is the level"),
    "level_last_row": (
        "integer",
        "row of the last one; of fewer than 5 readings the level is the median",
    ),
    "level_by": ("string", "mean: of its readings; steps: where they all lie on one step or flicker on two"),
    "level_mm": ("number", "the level that was used, slips taken off"),
    "weight": ("number", "what the level, or the reading, counts for in the fit, relative to the others"),
    "begins_deg": ("number", "hub angle at which it begins"),
    "fitted_mm": ("number", "what was fitted: of coarse steps what each says of the surface"),
    "per_turn": ("number", "how often the cosine comes round in a turn; 0 where the column is none"),
    "from_deg": ("number", "angle at which the cosine is 1"),
    "prior_mm2": ("number", "variance of the coefficient before the readings are asked"),
    "drawn": ("integer", "1 where the drawn surfaces have the column"),
    "beside": ("integer", "1 where the column is one that stands in the table fit"),
    "middle_s": ("number", "when the drift is 0"),
    "half_s": ("number", "how long after that it is once its coefficient"),
    "reading_mm2": ("number", "variance of one reading of weight 1"),
    "slip_mm": ("number", "by how much all readings had been shifted by then; taken off the level"),
    "id": ("string", "name of the run everywhere (UUIDv7)"),
    "started_utc": ("datetime", "when it began (RFC 3339)"),
    "kind": ("string", "what was measured"),
    "state": ("string", "done or interrupted"),
    "job": ("string", "the job it belongs to"),
    "wheel": ("string", "wheel position"),
    "stage": ("string", "as found or after repair"),
    "indicator": ("string", "name of the indicator"),
    "readings": ("integer", "readings stored, rejected ones included"),
    "rejected": ("integer", "of these, readings with a flag"),
    "verdict": ("string", "within, over, undecided or not measurable; empty without a limit"),
    "expanded_mm": ("number", "expanded uncertainty of the judged figure"),
    "points_to": ("string", "parts that the figures point to"),
    "kept": ("string", "what the technician said of it: kept or thrown away"),
    "repeatable_mm": ("number", "the form that comes back every turn (synchronous), mean zero"),
}


OF_ONE_TURN = "the surface in one whole turn, drift taken off"


def describe_tables(tables: Mapping[str, bytes], *, name: str, created: str) -> dict[str, Any]:
    """The content of ``datapackage.json`` for CSV files given by path.

    Args:
        tables: path below ``data/`` to the file's bytes.
        name: of the package, lower-case letters, digits and ``-``.
        created: RFC 3339, UTC.
    """
    return {
        "profile": "tabular-data-package",
        "name": name,
        "created": created,
        "resources": [_resource(path, content) for path, content in sorted(tables.items())],
    }


def _resource(path: str, content: bytes) -> dict[str, Any]:
    header = next(line for line in content.decode().splitlines() if line and not line.startswith("#")).split(
        ","
    )
    return {
        "name": path.removesuffix(".csv").replace("/", "-").lower(),
        "path": path,
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(content),
        "hash": f"sha256:{sha256(content)}",
        "dialect": {"delimiter": ",", "quoteChar": '"', "header": True, "commentChar": "#"},
        "schema": {"fields": [_field(column) for column in header], "missingValues": [""]},
    }


def _field(column: str) -> dict[str, str]:
    other = "what else moves the reading" if column.startswith("beside") else OF_ONE_TURN
    kind, text = COLUMNS.get(column, ("number", other))
    field = {"name": column, "type": kind, "description": text}
    unit = UCUM.get(column.rpartition("_")[2])
    return {**field, "unit": unit} if unit is not None and kind == "number" else field
