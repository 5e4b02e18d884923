"""Writes kept runs in open forms: trace files with a description, JSON lines, Parquet."""

from __future__ import annotations

import csv
import importlib
import io
import json
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from analysis.claim.documents import UCUM
from analysis.claim.tables import describe_tables
from analysis.record import RunRecord, RunSummary, Store
from analysis.trace import Trace
from analysis.trace_file import write_trace
from config.errors import InputError

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
PROGRAM = "hubproof-export"
LISTED = (
    "id", "started_utc", "kind", "state", "job", "wheel", "stage", "indicator", "readings", "rejected",
    "verdict", "value_mm", "expanded_mm", "points_to", "kept",
)  # fmt: skip
PARQUET_COLUMNS = (
    ("run", "string", False),
    ("started_utc", "string", False),
    ("kind", "string", False),
    ("wheel", "string", True),
    ("stage", "string", True),
    ("time_s", "float64", False),
    ("reading_mm", "float64", False),
    ("mark", "bool_", False),
    ("angle_deg", "float64", True),
    ("flag", "string", True),
)
"""Name, type, and whether a value may be missing."""


def tame(text: str) -> str:
    """The text with an apostrophe in front where a spreadsheet would take it for a formula."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def tamed(trace: Trace) -> Trace:
    """The trace with flags that no spreadsheet obeys; nothing is computed from what a flag says."""
    if trace.flag is None:
        return trace
    return replace(trace, flag=np.array([tame(flag) for flag in trace.flag.tolist()], dtype=np.str_))


def picked(
    store: Store, names: Sequence[str], *, since: str | None, until: str | None, job: str | None, kind: Any
) -> list[RunRecord]:
    """The runs that were asked for, the oldest first: by name, or all of a period, a job or a kind.

    Raises:
        InputError: none fits, or a date is none.
    """
    if names:
        found = [store.run(name) for name in dict.fromkeys(names)]
    else:
        first, last = _moment(since, "--from", 0), _moment(until, "--to", 1)
        if first is not None and last is not None and first >= last:
            raise InputError(f"{until!r} lies before {since!r}", where="--to", expected="a later date")
        listed = [one for one in store.runs(kind=kind, job=job) if one.state != "running"]
        found = [store.run(one.id) for one in listed if _within(one, first, last)]
    if not found:
        raise InputError("no run fits", where="export", do="see 'hubproof runs list'")
    return sorted(found, key=lambda record: record.summary.id)


def _within(run: RunSummary, first: datetime | None, last: datetime | None) -> bool:
    started = datetime.fromisoformat(run.started_utc)
    return (first is None or started >= first) and (last is None or started < last)


def _moment(text: str | None, where: str, days: int) -> datetime | None:
    """A date (its beginning, or its end when `days` is 1) or a moment, in UTC unless it says otherwise."""
    if text is None:
        return None
    try:
        if len(text) == len("2026-01-31"):
            return datetime.combine(date.fromisoformat(text) + timedelta(days=days), time(), UTC)
        moment = datetime.fromisoformat(text)
    except (ValueError, OverflowError) as error:
        raise InputError(f"{text!r} is no date", where=where, expected="such as 2026-01-31") from error
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def describe(record: RunRecord) -> list[str]:
    """What the comment lines of an exported run say."""
    summary, indicator = record.summary, record.indicator
    number = indicator.get("serial_number")
    lines = [
        f"run {summary.id} ({summary.kind}, {summary.state})",
        f"started {summary.started_utc}",
        f"indicator {summary.indicator or 'unknown'}" + (f", serial number {number}" if number else ""),
    ]
    if summary.wheel:
        lines.append(f"wheel {summary.wheel}" + (f", {summary.stage}" if summary.stage else ""))
    if record.unread:
        lines.append(f"{record.unread} rejected lines without a value are kept in the database only")
    return lines


def trace_csv(store: Store, record: RunRecord) -> bytes:
    """A run as a trace file."""
    text = io.StringIO(newline="")
    write_trace(tamed(store.trace(record.summary.id)), text, describe(record))
    return text.getvalue().encode()


# Many runs ------------------------------------------------------------------------------------------


def write_folder(
    store: Store, records: Sequence[RunRecord], folder: Path, *, with_working: bool = False
) -> None:
    """A trace file and a result for each run, a list of all, and ``datapackage.json`` that describes them.

    `with_working` adds the tables of each run's working and the scripts that compute it again, as a pack
    has them; the traces then stand in a folder of their own.

    Raises:
        InputError: the folder cannot be written.
    """
    scripts = working_scripts() if with_working else {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        tables = {"runs.csv": _list_csv(records)}
        for record in records:
            name = record.summary.id
            tables[f"traces/{name}.csv" if with_working else f"{name}.csv"] = trace_csv(store, record)
            if with_working and record.results:
                tables |= working_tables(store, record)
            if record.results:
                _write(folder / f"{name}.json", _json(record.results[-1], indent=1))
        for path, content in {**tables, **scripts}.items():
            (folder / path).parent.mkdir(exist_ok=True)
            _write(folder / path, content)
        made = records[-1].summary.started_utc[:19] + "Z"
        _write(
            folder / "datapackage.json", _json(describe_tables(tables, name=PROGRAM, created=made), indent=1)
        )
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(folder)) from error


def working_tables(store: Store, record: RunRecord) -> dict[str, bytes]:
    """The tables of a run's working, by path; see `analysis.claim.worked`.

    Raises:
        InputError: it is of a kind that has none.
    """
    from analysis.claim.from_record import claim_from_record
    from analysis.claim.worked import tables_of
    from analysis.claim.working import work_out

    (run,) = claim_from_record(store, [record.summary.id]).runs
    return tables_of(work_out(run), record.summary.id)


def working_scripts() -> dict[str, bytes]:
    """The scripts that compute figures again from these tables, by name."""
    from analysis.claim.pack import SCRIPTS

    ours = resources.files("analysis.claim")
    return {script: ours.joinpath(f"{script}.txt").read_bytes() for script in SCRIPTS}


def _list_csv(records: Iterable[RunRecord]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(LISTED)
    for record in records:
        row = asdict(record.summary)
        writer.writerow([tame(v) if isinstance(v, str) else v for v in (row[name] for name in LISTED)])
    return text.getvalue().encode()


def json_lines(store: Store, records: Iterable[RunRecord]) -> Iterator[bytes]:
    """A JSON object a line and run: what is known of it, its latest result, its readings in columns."""
    for record in records:
        trace = store.trace(record.summary.id)
        readings = {
            name: values for name, values in _columns(trace).items() if any(v is not None for v in values)
        }
        yield _json(
            {
                **asdict(record.summary),
                "indicator": dict(record.indicator),
                "units": UCUM,
                "readings": readings,
                "result": record.results[-1] if record.results else None,
            }
        )


def parquet_library() -> tuple[Any, Any]:
    """The modules ``pyarrow`` and ``pyarrow.parquet``: 55 MB, installed only where Parquet is wanted.

    Raises:
        InputError: they are not installed.
    """
    try:
        return importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        raise InputError(
            "Parquet needs the library pyarrow", where="--format", do="pip install 'hubproof[parquet]'"
        ) from error


def write_parquet(store: Store, records: Iterable[RunRecord], file: BinaryIO) -> None:
    """One table of all readings, a row group for each run; a column's unit is the ending of its name.

    Raises:
        InputError: see `parquet_library`.
    """
    arrow, parquet = parquet_library()
    facts = {"units": json.dumps(UCUM), "written_by": PROGRAM}
    fields = [arrow.field(name, getattr(arrow, kind)(), nullable=may) for name, kind, may in PARQUET_COLUMNS]
    schema = arrow.schema(fields, metadata=facts)
    with parquet.ParquetWriter(file, schema) as writer:
        for record in records:
            trace = store.trace(record.summary.id)
            summary = record.summary
            same = {
                "run": summary.id, "started_utc": summary.started_utc, "kind": summary.kind,
                "wheel": summary.wheel, "stage": summary.stage,
            }  # fmt: skip
            repeated = {name: [value] * len(trace) for name, value in same.items()}
            if len(trace):
                writer.write_table(arrow.table({**repeated, **_columns(trace)}, schema=schema))


def _columns(trace: Trace) -> dict[str, list[Any]]:
    """The readings by column; None where there is no value."""
    count = len(trace)
    mark = [False] * count if trace.mark is None else trace.mark.tolist()
    angle = [None] * count if trace.angle_deg is None else _or_none(trace.angle_deg.tolist())
    flag = [None] * count if trace.flag is None else [text or None for text in trace.flag.tolist()]
    return {
        "time_s": trace.time_s.tolist(),
        "reading_mm": np.round(trace.reading_um / 1000.0, 9).tolist(),
        "mark": mark,
        "angle_deg": angle,
        "flag": flag,
    }


def _or_none(values: list[float]) -> list[float | None]:
    return [None if value != value else value for value in values]


def _json(value: Any, indent: int | None = None) -> bytes:
    return (json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent) + "\n").encode()


def _write(path: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    draft = path.with_name(f".{path.name}.new")
    draft.write_bytes(content)
    os.replace(draft, path)
