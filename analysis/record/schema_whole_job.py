"""What jobs gained later: entries that can be merged from other benches, photos and figures, studies."""

from __future__ import annotations

import sqlite3

from analysis.record.schema import Column, Table, View

ENTRY_ID = Column(
    "id", "TEXT", "name of the entry everywhere; null for one older than these names", "UUIDv7 (RFC 9562)"
)
ENTRY_PLACE = Column(
    "place", "INTEGER NOT NULL DEFAULT 0", "place among the wheel end's entries; the highest of a step counts"
)
SIZES = Column(
    "sizes",
    "TEXT NOT NULL DEFAULT '{}'",
    "sizes of bore, ring, flange and disc as typed at arrival",
    "JSON, name to text",
)
CUSTOMER = Column(
    "customer", "TEXT NOT NULL DEFAULT ''", "the customer's name; personal data, empty when not recorded"
)
PLATE = Column("plate", "TEXT NOT NULL DEFAULT ''", "number plate; personal data, empty when not recorded")

ATTACHMENT = Table(
    "job_attachment",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the attachment in this file"),
        Column("id", "TEXT NOT NULL UNIQUE", "name of the attachment everywhere", "UUIDv7 (RFC 9562)"),
        Column("entry", "INTEGER NOT NULL REFERENCES job_entry (key)", "key of the entry it belongs to"),
        Column(
            "what",
            "TEXT NOT NULL CHECK (\"what\" IN ('photo', 'fit', 'clocking'))",
            "a photo, or the figures of a fit or of a disc's clocking",
        ),
        Column("name", "TEXT NOT NULL", "name of the photo's file as given"),
        Column("media_type", "TEXT NOT NULL", "of a photo", "RFC 6838"),
        Column(
            "sha256",
            "TEXT",
            "SHA-256 of the photo as it came; the file of that name is in the folder photos",
            "hexadecimal",
        ),
        Column("size", "INTEGER", "of the photo", "bytes"),
        Column("content", "TEXT NOT NULL", "the figures", "JSON"),
    ),
    indexes=("CREATE INDEX job_attachment_by_entry ON job_attachment (entry)",),
)

STUDY = Table(
    "study",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the study in this file"),
        Column("id", "TEXT NOT NULL UNIQUE", "name of the study everywhere", "UUIDv7 (RFC 9562)"),
        Column("indicator", "TEXT NOT NULL", "name of the indicator that is studied"),
        Column("serial_number", "TEXT NOT NULL", "its serial number; empty when not known"),
        Column("quantity", "TEXT NOT NULL", "what is measured: runout, endplay, bore, or another length"),
        Column("limit_nm", "INTEGER", "upper limit of the quantity; null when none was named", "nm"),
        Column("technicians", "TEXT NOT NULL", "names in the order of the plan", "JSON list"),
        Column("parts", "TEXT NOT NULL", "names in the order of the plan", "JSON list"),
        Column("trials", "INTEGER NOT NULL", "trials of each technician with each part", "1"),
        Column("seed", "INTEGER NOT NULL", "of the order in which the parts come"),
        Column("begun_utc", "TEXT NOT NULL", "when it was begun", "UTC, RFC 3339"),
    ),
    indexes=("CREATE INDEX study_by_indicator ON study (indicator, serial_number, key)",),
)

STUDY_READING = Table(
    "study_reading",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the reading; the latest of a trial counts"),
        Column("study", "INTEGER NOT NULL REFERENCES study (key)", "key of the study"),
        Column("technician", "TEXT NOT NULL", "who measured"),
        Column("part", "TEXT NOT NULL", "which part"),
        Column("trial", "INTEGER NOT NULL", "which trial, from 1", "1"),
        Column("value_nm", "INTEGER NOT NULL", "what was measured", "nm"),
        Column("run", "TEXT", "id of the run; null when the value was typed", "UUIDv7"),
        Column("at_utc", "TEXT NOT NULL", "when", "UTC, RFC 3339"),
    ),
    indexes=("CREATE INDEX study_reading_by_study ON study_reading (study, technician, part, trial)",),
)

STUDY_RESULT = Table(
    "study_result",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the result"),
        Column("study", "INTEGER NOT NULL REFERENCES study (key)", "key of the study"),
        Column("method", "TEXT NOT NULL", "average and range, or analysis of variance"),
        Column("repeatability_mm", "REAL NOT NULL", "equipment variation (EV), a standard deviation", "mm"),
        Column("reproducibility_mm", "REAL", "technician variation (AV); null with one technician", "mm"),
        Column("combined_mm", "REAL NOT NULL", "both together (GRR)", "mm"),
        Column("percent_of_total", "REAL", "share of the total variation", "%"),
        Column("percent_of_limit", "REAL", "six times the combined one in the limit", "%"),
        Column("categories", "INTEGER", "distinct categories (ndc)", "1"),
        Column("fit_for_use", "TEXT NOT NULL", "good, with care, not good, or cannot be told"),
        Column("json", "TEXT NOT NULL", "the whole result", "JSON"),
        Column("at_utc", "TEXT NOT NULL", "when it was worked out", "UTC, RFC 3339"),
    ),
    ending="UNIQUE (study, method)",
)


def _shown(name: str, note: str, unit: str = "") -> Column:
    return Column(name, "", note, unit)


def _part(name: str) -> str:
    """The part or lot as read at the bearing, else as known at arrival."""
    read = (
        f"SELECT answer FROM job_entry WHERE job_entry.wheel_end = wheel_end.key AND step = '{name}'"  # noqa: S608
        " AND what = 'answer' ORDER BY place DESC LIMIT 1"
    )
    return f"coalesce(({read}), wheel_end.{name}) AS {name}"


JOB_LIST = View(
    "job_list",
    f"""SELECT job.id AS id, job.opened_utc AS opened_utc, job.closed_utc AS closed_utc, job.vin AS vin,
       job.vehicle AS vehicle, job.odometer_km AS odometer_km, job.technician AS technician,
       wheel_end.wheel AS wheel, {_part("new_part")}, {_part("new_lot")},
       {_part("old_part")}, {_part("old_lot")}, wheel_end.bearing AS bearing, job.complaint AS complaint
FROM job JOIN wheel_end ON wheel_end.job = job.key""",  # noqa: S608 - own names
    (
        _shown("id", "name of the job everywhere", "UUIDv7"),
        _shown("opened_utc", "when it was opened", "UTC, RFC 3339"),
        _shown("closed_utc", "when it was closed; null while open", "UTC, RFC 3339"),
        _shown("vin", "vehicle identification number"),
        _shown("vehicle", "the vehicle in words"),
        _shown("odometer_km", "odometer at arrival", "km"),
        _shown("technician", "who opened it"),
        _shown("wheel", "wheel position"),
        _shown("new_part", "part number of the bearing fitted"),
        _shown("new_lot", "its lot"),
        _shown("old_part", "part number of the bearing found"),
        _shown("old_lot", "its lot"),
        _shown("bearing", "ball, tapered or not known"),
        _shown("complaint", "what the customer says"),
    ),
)

STEP_LIST = View(
    "job_step_list",
    """SELECT job.id AS job, job.vin AS vin, wheel_end.wheel AS wheel, job_entry.place AS place,
       job_entry.at_utc AS at_utc, job_entry.technician AS technician, job_entry.step AS step,
       job_entry.what AS what, job_entry.answer AS answer, job_entry.number AS number,
       job_entry.problem AS problem, job_entry.run AS run,
       (SELECT count(*) FROM job_attachment WHERE entry = job_entry.key AND job_attachment.what = 'photo')
       AS photos
FROM job_entry JOIN wheel_end ON wheel_end.key = job_entry.wheel_end JOIN job ON job.key = wheel_end.job""",
    (
        _shown("job", "id of the job", "UUIDv7"),
        _shown("vin", "vehicle identification number"),
        _shown("wheel", "wheel position"),
        _shown("place", "place among the wheel end's entries; the highest of a step counts"),
        _shown("at_utc", "when", "UTC, RFC 3339"),
        _shown("technician", "who recorded it"),
        _shown("step", "step of the path"),
        _shown("what", "answered or skipped"),
        _shown("answer", "the answer, or the reason for skipping"),
        _shown("number", "the number, in the step's unit"),
        _shown("problem", "why the job could not go on with it"),
        _shown("run", "id of the run", "UUIDv7"),
        _shown("photos", "photos kept with it", "1"),
    ),
)

STUDY_LIST = View(
    "study_list",
    """SELECT study.id AS id, study.begun_utc AS begun_utc, study.indicator AS indicator,
       study.serial_number AS serial_number, study.quantity AS quantity, study_result.method AS method,
       study_result.repeatability_mm AS repeatability_mm,
       study_result.reproducibility_mm AS reproducibility_mm, study_result.combined_mm AS combined_mm,
       study_result.percent_of_total AS percent_of_total,
       study_result.percent_of_limit AS percent_of_limit, study_result.categories AS categories,
       study_result.fit_for_use AS fit_for_use
FROM study LEFT JOIN study_result ON study_result.study = study.key""",
    (
        _shown("id", "name of the study everywhere", "UUIDv7"),
        _shown("begun_utc", "when it was begun", "UTC, RFC 3339"),
        _shown("indicator", "name of the indicator"),
        _shown("serial_number", "its serial number"),
        _shown("quantity", "what was measured"),
        _shown("method", "average and range, or analysis of variance; null while it goes on"),
        _shown("repeatability_mm", "equipment variation (EV)", "mm"),
        _shown("reproducibility_mm", "technician variation (AV)", "mm"),
        _shown("combined_mm", "both together (GRR)", "mm"),
        _shown("percent_of_total", "share of the total variation", "%"),
        _shown("percent_of_limit", "six times the combined one in the limit", "%"),
        _shown("categories", "distinct categories (ndc)", "1"),
        _shown("fit_for_use", "good, with care, not good, or cannot be told"),
    ),
)

PART_INDEX = (
    "CREATE INDEX job_entry_part ON job_entry (step, wheel_end, place, answer)"
    " WHERE step IN ('old_part', 'old_lot', 'new_part', 'new_lot') AND what = 'answer'"
)
"""So that what is asked of many jobs reads part and lot from the index alone."""

ADDED: tuple[tuple[str, Column], ...] = (
    ("job_entry", ENTRY_ID),
    ("job_entry", ENTRY_PLACE),
    ("wheel_end", SIZES),
)
MADE: tuple[Table | View, ...] = (
    ATTACHMENT, STUDY, STUDY_READING, STUDY_RESULT, JOB_LIST, STEP_LIST, STUDY_LIST,
)  # fmt: skip


def add_column(connection: sqlite3.Connection, table: str, column: Column) -> None:
    """Add a column to a table that is there, with its note."""
    connection.execute(f'ALTER TABLE "{table}" ADD COLUMN "{column.name}" {column.sql}')
    connection.execute(
        "INSERT INTO column_notes (table_name, column_name, unit, note) VALUES (?, ?, ?, ?)",
        (table, column.name, column.unit, column.note),
    )


def before_making(connection: sqlite3.Connection) -> None:
    """Add the columns, number the entries there are, and drop the view that is made anew."""
    for table, column in ADDED:
        add_column(connection, table, column)
    connection.execute("UPDATE job_entry SET place = key")
    connection.execute("CREATE UNIQUE INDEX job_entry_id ON job_entry (id) WHERE id IS NOT NULL")
    connection.execute("CREATE INDEX job_entry_in_place ON job_entry (wheel_end, step, place)")
    connection.execute("DROP VIEW job_list")
    connection.execute("DELETE FROM column_notes WHERE table_name = 'job_list'")
