"""The JSON files of a claim pack: their shapes, how they are written, and how they are read back.

Nothing is read leniently: an unknown key, a NaN, a text where a number belongs is refused, and the
message names the file.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, Field, TypeAdapter, ValidationError

from analysis.claim.values import (
    ClaimResult,
    Form,
    Identifier,
    Instrument,
    Job,
    RecordLink,
    RunHeader,
    Step,
    Utc,
    WheelFacts,
)
from analysis.results import EndplayResult, Model, RestResult, RunoutResult
from analysis.results_bore import BoreResult
from config.errors import InputError
from config.limits import Limit

AnyResult = Annotated[ClaimResult, Field(discriminator="kind")]
RESULT: TypeAdapter[ClaimResult] = TypeAdapter(AnyResult)
RESULT_KINDS: dict[str, type[Model]] = {
    "runout": RunoutResult,
    "endplay": EndplayResult,
    "bore": BoreResult,
    "rest": RestResult,
}

FORMAT: Literal["hubproof-claim-pack/2"] = "hubproof-claim-pack/2"
SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"
# Unified Code for Units of Measure, by the ending of a name in these files.
UCUM = {
    "mm": "mm",
    "um": "um",
    "nm": "nm",
    "mm2": "mm2",
    "in": "[in_i]",
    "deg": "deg",
    "s": "s",
    "n_m": "N.m",
    "k": "K",
    "c": "Cel",
    "mpa": "MPa",
    "per_k": "K-1",
    "mm_per_min": "mm/min",
    "upr": "1",
}

Shape = TypeVar("Shape", bound=BaseModel)


class MadeWith(Model):
    """The software that computed and wrote the pack: a recomputation by another version may differ."""

    hubproof: str
    typst: str


class RunEntry(RunHeader):
    """A run in `job.json`: its header and the paths, below ``data/``, of what belongs to it."""

    trace: str
    result: str
    tables: tuple[str, ...]
    limit: Identifier | None


class PhotoEntry(Model):
    """A photo of the pack."""

    file: str
    taken_utc: Utc | None
    caption: str


class JobDocument(Model):
    """`job.json`: the job, its runs and steps. `units` gives UCUM codes by the ending of a name.

    A pack of form 1 has other tables of each run's working, and no scripts; the rest is the same.
    """

    format: Literal["hubproof-claim-pack/1", "hubproof-claim-pack/2"] = FORMAT
    made_with: MadeWith
    form: Form
    units: dict[str, str] = UCUM
    record: RecordLink | None
    job: Job
    wheels: tuple[WheelFacts, ...]
    runs: tuple[RunEntry, ...]
    steps: tuple[Step, ...]
    photos: tuple[PhotoEntry, ...]


class LimitEntry(Model):
    """A limit and the name by which runs refer to it."""

    id: Identifier
    limit: Limit


class LimitsDocument(Model):
    """`limits.json`: what the runs were judged against, lengths in nm."""

    limits: tuple[LimitEntry, ...]


class InstrumentsDocument(Model):
    """`instruments.json`: the indicators as they were when they measured, lengths in nm."""

    instruments: tuple[Instrument, ...]


SCHEMAS: dict[str, type[Model]] = {
    "job": JobDocument,
    "limits": LimitsDocument,
    "instruments": InstrumentsDocument,
    **RESULT_KINDS,
}


def write_model(model: BaseModel) -> bytes:
    """The JSON file of `model`: UTF-8, indented, keys in the order of the schema, newline at the end."""
    return (model.model_dump_json(indent=1) + "\n").encode()


def write_json(value: Any) -> bytes:
    """Any plain value in the same form as `write_model`."""
    return (json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def schema_files() -> dict[str, bytes]:
    """The JSON Schemas (draft 2020-12) of every JSON file in a pack, by path."""
    return {
        f"schemas/{name}.schema.json": write_json(
            {"$schema": SCHEMA_DIALECT, **shape.model_json_schema(mode="serialization")}
        )
        for name, shape in SCHEMAS.items()
    }


def read_model(shape: type[Shape], content: bytes, where: str) -> Shape:
    """Read a JSON file of that shape.

    Raises:
        InputError: it is not JSON or not of that shape; names file and key.
    """
    refuse_twins(content, where)
    try:
        return shape.model_validate_json(content)
    except ValidationError as error:
        raise _unusable(error, where) from error


def read_result(content: bytes, where: str) -> ClaimResult:
    """Read a result of any kind; see `read_model`."""
    refuse_twins(content, where)
    try:
        return RESULT.validate_json(content)
    except ValidationError as error:
        raise _unusable(error, where) from error


def refuse_twins(content: bytes, where: str) -> None:
    """Refuse a JSON object that has a key twice: one reader takes the first value, another the last.

    Raises:
        InputError: there is such a key, or it is no JSON at all.
    """

    def object_of(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        told = dict(pairs)
        if len(told) != len(pairs):
            names = [name for name, _ in pairs]
            twin = next(name for name in names if names.count(name) > 1)
            raise InputError(f"has the key {twin[:80]!r} twice", where=where)
        return told

    try:
        json.loads(content, object_pairs_hook=object_of)
    except (ValueError, RecursionError) as error:
        raise InputError(f"is no JSON: {error}", where=where) from error


def _unusable(error: ValidationError, where: str) -> InputError:
    first = error.errors(include_url=False, include_input=False)[0]
    place = ".".join(str(part) for part in first["loc"])
    return InputError(f"{place}: {first['msg']}" if place else first["msg"], where=where)
