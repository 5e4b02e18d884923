"""The tables of the record, each column with its unit, and the views that any SQLite browser shows.

A table is described once, here: its SQL and the rows of ``column_notes`` both come from it, so that
no column can be without a note. A migration never changes what an earlier one says: it adds to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from analysis.record.words import RunKind, RunState, Stage, Wheel


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes:
        name: as in SQL.
        sql: type and constraints.
        note: what it holds.
        unit: unit of a number or form of a text; empty when it has none.
    """

    name: str
    sql: str
    note: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table; `ending` is what follows the columns, `options` what follows the bracket."""

    name: str
    columns: tuple[Column, ...]
    ending: str = ""
    options: str = "STRICT"
    indexes: tuple[str, ...] = ()

    def sql(self) -> str:
        """The statement that makes the table."""
        lines = [f'  "{column.name}" {column.sql}' for column in self.columns]
        if self.ending:
            lines.append(f"  {self.ending}")
        return f'CREATE TABLE "{self.name}" (\n' + ",\n".join(lines) + f"\n) {self.options}"


@dataclass(frozen=True, slots=True)
class View:
    """One view for people; `columns` have an empty `sql`."""

    name: str
    select: str
    columns: tuple[Column, ...]

    def sql(self) -> str:
        """The statement that makes the view."""
        return f'CREATE VIEW "{self.name}" AS\n{self.select}'


def _one_of(name: str, words: tuple[str, ...]) -> str:
    return f'CHECK ("{name}" IN (' + ", ".join(f"'{word}'" for word in words) + "))"


def _shown(name: str, note: str, unit: str = "") -> Column:
    return Column(name, "", note, unit)


COLUMN_NOTES = Table(
    "column_notes",
    (
        Column("table_name", "TEXT NOT NULL", "table or view that the note speaks of"),
        Column("column_name", "TEXT NOT NULL", "column that the note speaks of"),
        Column("unit", "TEXT NOT NULL", "unit of a number, form of a text; empty when it has none"),
        Column("note", "TEXT NOT NULL", "what the column holds"),
    ),
    ending="PRIMARY KEY (table_name, column_name)",
    options="STRICT, WITHOUT ROWID",
)

RUN = Table(
    "run",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the run in this file; use id outside it"),
        Column("id", "TEXT NOT NULL UNIQUE", "name of the run everywhere", "UUIDv7 (RFC 9562)"),
        Column(
            "kind",
            f"TEXT NOT NULL {_one_of('kind', get_args(RunKind))}",
            "what was measured: rest check, end play, run-out, bore, or a trace that is not judged",
        ),
        Column(
            "state",
            f"TEXT NOT NULL {_one_of('state', get_args(RunState))}",
            "running while readings come; done; interrupted when it was cut off",
        ),
        Column("started_utc", "TEXT NOT NULL", "time of day at the start", "UTC, RFC 3339"),
        Column(
            "started_t_ns",
            "INTEGER NOT NULL",
            "the station's monotonic clock at the start; t_ns of readings, marks and events count from it",
            "ns",
        ),
        Column("ended_t_ns", "INTEGER", "end of the run, counted from its start", "ns"),
        Column("indicator", "TEXT NOT NULL", "the indicator as it was described then", "JSON"),
        Column("settings", "TEXT NOT NULL", "what the run was started with", "JSON"),
        Column("job", "TEXT", "the job that the run belongs to; null for a run without a job", "UUIDv7"),
        Column(
            "wheel",
            f'TEXT CHECK ("wheel" IS NULL OR "wheel" IN {get_args(Wheel)!r})',
            "wheel position",
        ),
        Column(
            "stage",
            f'TEXT CHECK ("stage" IS NULL OR "stage" IN {get_args(Stage)!r})',
            "stage of the job",
        ),
        Column("readings", "INTEGER NOT NULL DEFAULT 0", "readings stored, rejected ones included", "1"),
        Column("rejected", "INTEGER NOT NULL DEFAULT 0", "of these, readings with a flag", "1"),
        Column(
            "readings_sha256",
            "TEXT NOT NULL",
            "SHA-256 over all readings of the run so far, in canonical bytes",
            "hexadecimal",
        ),
    ),
    indexes=(
        "CREATE INDEX run_by_job ON run (job, wheel, stage) WHERE job IS NOT NULL",
        "CREATE INDEX run_running ON run (state) WHERE state = 'running'",
    ),
)

READING = Table(
    "reading",
    (
        Column("run", "INTEGER NOT NULL REFERENCES run (key)", "key of the run"),
        Column("seq", "INTEGER NOT NULL", "number of the reading in its run, in order of arrival", "1"),
        Column("t_ns", "INTEGER NOT NULL", "time of arrival, counted from the run's start", "ns"),
        Column(
            "length_nm",
            "INTEGER",
            "what the indicator showed, plunger pushed in positive; null when it could not be read",
            "nm",
        ),
        Column("flag", "TEXT", "why the reading was rejected; null for a good one"),
        Column("raw", "TEXT", "what the wire said, kept where the reading was rejected"),
    ),
    ending="PRIMARY KEY (run, seq), CHECK (length_nm IS NOT NULL OR flag IS NOT NULL)",
    options="STRICT, WITHOUT ROWID",
)

MARK = Table(
    "mark",
    (
        Column("run", "INTEGER NOT NULL REFERENCES run (key)", "key of the run"),
        Column("t_ns", "INTEGER NOT NULL", "when the index mark passed, counted from the run's start", "ns"),
    ),
    ending="PRIMARY KEY (run, t_ns)",
    options="STRICT, WITHOUT ROWID",
)

EVENT = Table(
    "event",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the event in this file"),
        Column("run", "INTEGER NOT NULL REFERENCES run (key)", "key of the run"),
        Column("t_ns", "INTEGER NOT NULL", "when, counted from the run's start", "ns"),
        Column("code", "TEXT NOT NULL", "what happened, for programs"),
        Column("text", "TEXT NOT NULL", "what happened, for people"),
    ),
    indexes=("CREATE INDEX event_by_run ON event (run, t_ns)",),
)

RESULT = Table(
    "result",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the result in this file; the latest of a run counts"),
        Column("id", "TEXT NOT NULL UNIQUE", "name of the result everywhere", "UUIDv7 (RFC 9562)"),
        Column("run", "INTEGER NOT NULL REFERENCES run (key)", "key of the run that was judged"),
        Column("saved_utc", "TEXT NOT NULL", "when it was computed", "UTC, RFC 3339"),
        Column("kind", "TEXT NOT NULL", "what was judged"),
        Column("verdict", "TEXT", "within, over, undecided or not measurable; null without a limit"),
        Column("value_mm", "REAL", "the judged figure: largest full turn's FIM, or the end play", "mm"),
        Column("expanded_mm", "REAL", "expanded uncertainty of the judged figure", "mm"),
        Column("conformity_probability", "REAL", "probability that the limit is kept (JCGM 106)", "1"),
        Column("limit_max_mm", "REAL", "upper limit", "mm"),
        Column("limit_good_up_to_mm", "REAL", "good up to, of a pair", "mm"),
        Column("limit_bad_above_mm", "REAL", "bad above, of a pair", "mm"),
        Column("limit_source", "TEXT", "who gives the limit"),
        Column("turns", "REAL", "turns of the hub, run-out only", "1"),
        Column("repeatable_mm", "REAL", "repeatable (synchronous) run-out", "mm"),
        Column("non_repeatable_mm", "REAL", "non-repeatable (asynchronous) run-out", "mm"),
        Column("points_to", "TEXT NOT NULL", "parts that the figures point to, separated by commas"),
        Column("json", "TEXT NOT NULL", "the whole result, as `hubproof analyse --json` prints it", "JSON"),
    ),
    indexes=("CREATE INDEX result_by_run ON result (run)",),
)

TURN_PROFILE = Table(
    "turn_profile",
    (
        Column("result", "INTEGER NOT NULL REFERENCES result (key)", "key of the result"),
        Column("turn", "INTEGER NOT NULL", "turn, from 1", "1"),
        Column(
            "step_deg", "REAL NOT NULL", "angle between two values; the first is at the index mark", "deg"
        ),
        Column(
            "length_nm", "TEXT NOT NULL", "readings at these angles; null where none is", "JSON list of nm"
        ),
    ),
    ending="PRIMARY KEY (result, turn)",
    options="STRICT, WITHOUT ROWID",
)

CHAIN = Table(
    "chain",
    (
        Column("seq", "INTEGER PRIMARY KEY", "number of the link, in order of writing"),
        Column("what", "TEXT NOT NULL", "what was written: run begun, run ended, result"),
        Column("subject", "TEXT NOT NULL", "id of the run or result", "UUIDv7"),
        Column("form", "INTEGER NOT NULL", "how the record's canonical bytes are made", "1"),
        Column("record_sha256", "TEXT NOT NULL", "SHA-256 of the record's canonical bytes", "hexadecimal"),
        Column(
            "link_sha256",
            "TEXT NOT NULL",
            "SHA-256 of the link before, and of what, subject, form and record_sha256 of this one",
            "hexadecimal",
        ),
    ),
)

READING_LIST = View(
    "reading_list",
    """SELECT run.id AS run, reading.seq AS seq, reading.t_ns / 1e9 AS time_s,
       reading.length_nm / 1e6 AS reading_mm, reading.flag AS flag
FROM reading JOIN run ON run.key = reading.run""",
    (
        _shown("run", "id of the run", "UUIDv7"),
        _shown("seq", "number of the reading in its run", "1"),
        _shown("time_s", "time of arrival, counted from the run's start", "s"),
        _shown("reading_mm", "what the indicator showed, plunger pushed in positive", "mm"),
        _shown("flag", "why the reading was rejected; null for a good one"),
    ),
)

RUN_LIST = View(
    "run_list",
    """SELECT run.id AS id, run.started_utc AS started_utc, run.kind AS kind, run.state AS state,
       run.ended_t_ns / 1e9 AS duration_s, run.readings AS readings, run.rejected AS rejected,
       json_extract(run.indicator, '$.name') AS indicator,
       run.job AS job, run.wheel AS wheel, run.stage AS stage,
       result.verdict AS verdict, result.value_mm AS value_mm, result.expanded_mm AS expanded_mm,
       result.points_to AS points_to
FROM run LEFT JOIN result ON result.key = (SELECT max(key) FROM result WHERE result.run = run.key)""",
    (
        _shown("id", "name of the run everywhere", "UUIDv7"),
        _shown("started_utc", "time of day at the start", "UTC, RFC 3339"),
        _shown("kind", "what was measured"),
        _shown("state", "running, done or interrupted"),
        _shown("duration_s", "how long it took", "s"),
        _shown("readings", "readings stored, rejected ones included", "1"),
        _shown("rejected", "of these, readings with a flag", "1"),
        _shown("indicator", "name of the indicator"),
        _shown("job", "the job that the run belongs to", "UUIDv7"),
        _shown("wheel", "wheel position"),
        _shown("stage", "stage of the job"),
        _shown("verdict", "verdict of the latest result"),
        _shown("value_mm", "judged figure of the latest result", "mm"),
        _shown("expanded_mm", "its expanded uncertainty", "mm"),
        _shown("points_to", "parts that it points to"),
    ),
)

PROFILE_LIST = View(
    "profile_list",
    """SELECT result.id AS result, run.id AS run, turn_profile.turn AS turn,
       point.key * turn_profile.step_deg AS angle_deg, point.value / 1e6 AS reading_mm
FROM turn_profile
JOIN result ON result.key = turn_profile.result
JOIN run ON run.key = result.run
JOIN json_each(turn_profile.length_nm) AS point""",
    (
        _shown("result", "id of the result", "UUIDv7"),
        _shown("run", "id of the run", "UUIDv7"),
        _shown("turn", "turn, from 1", "1"),
        _shown("angle_deg", "angle from the index mark", "deg"),
        _shown("reading_mm", "reading there; null where none is", "mm"),
    ),
)

VERSION_1: tuple[Table | View, ...] = (
    COLUMN_NOTES,
    RUN,
    READING,
    MARK,
    EVENT,
    RESULT,
    TURN_PROFILE,
    CHAIN,
    READING_LIST,
    RUN_LIST,
    PROFILE_LIST,
)
