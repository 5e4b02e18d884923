"""The tables of the whole job: jobs, wheel ends, and what was recorded step by step; nothing overwritten."""

from __future__ import annotations

from analysis.record.schema import Column, Table, View

JOB = Table(
    "job",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the job in this file; use id outside it"),
        Column("id", "TEXT NOT NULL UNIQUE", "name of the job everywhere", "UUIDv7 (RFC 9562)"),
        Column("opened_utc", "TEXT NOT NULL", "when it was opened", "UTC, RFC 3339"),
        Column("closed_utc", "TEXT", "when the vehicle was released; null while open", "UTC, RFC 3339"),
        Column("vin", "TEXT", "vehicle identification number; null when not known"),
        Column("vehicle", "TEXT NOT NULL", "the vehicle in words"),
        Column("odometer_km", "REAL", "odometer at arrival", "km"),
        Column("complaint", "TEXT NOT NULL", "what the customer says"),
        Column("technician", "TEXT NOT NULL", "who opened it"),
    ),
    indexes=(
        "CREATE UNIQUE INDEX job_open_once ON job (vin) WHERE closed_utc IS NULL AND vin IS NOT NULL",
        "CREATE INDEX job_by_vin ON job (vin, key)",
        "CREATE INDEX job_by_technician ON job (technician, key)",
    ),
)

WHEEL_END = Table(
    "wheel_end",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the wheel end in this file"),
        Column("job", "INTEGER NOT NULL REFERENCES job (key)", "key of the job"),
        Column("wheel", "TEXT NOT NULL", "wheel position"),
        Column("bearing", "TEXT NOT NULL", "ball, tapered or not known"),
        Column("encoder", "TEXT NOT NULL", "side of the encoder ring, none or not known"),
        Column("old_part", "TEXT NOT NULL", "part number of the bearing found"),
        Column("old_lot", "TEXT NOT NULL", "its lot"),
        Column("new_part", "TEXT NOT NULL", "part number of the bearing fitted"),
        Column("new_lot", "TEXT NOT NULL", "its lot"),
        Column("torque_n_m", "REAL", "hub nut torque of the vehicle maker", "N m"),
        Column("limits", "TEXT NOT NULL", "limits of the vehicle maker as typed", "JSON, quantity to length"),
        Column("source", "TEXT NOT NULL", "where torque and limits are from, as typed"),
    ),
    ending="UNIQUE (job, wheel)",
    indexes=("CREATE INDEX wheel_end_by_part ON wheel_end (new_part, new_lot)",),
)

JOB_ENTRY = Table(
    "job_entry",
    (
        Column("key", "INTEGER PRIMARY KEY", "number of the entry; the latest of a step counts"),
        Column("wheel_end", "INTEGER NOT NULL REFERENCES wheel_end (key)", "key of the wheel end"),
        Column("step", "TEXT NOT NULL", "step of the path"),
        Column("what", "TEXT NOT NULL CHECK (\"what\" IN ('answer', 'skip'))", "answered or skipped"),
        Column("answer", "TEXT NOT NULL", "the answer (of a run its verdict), or the reason for skipping"),
        Column("number", "REAL", "the number, in the step's unit"),
        Column("run", "TEXT", "id of the run", "UUIDv7"),
        Column("problem", "TEXT", "why the job cannot go on with it; null when it can"),
        Column("technician", "TEXT NOT NULL", "who recorded it"),
        Column("at_utc", "TEXT NOT NULL", "when", "UTC, RFC 3339"),
    ),
    indexes=(
        "CREATE INDEX job_entry_by_wheel_end ON job_entry (wheel_end, step, key)",
        "CREATE INDEX job_entry_over ON job_entry (wheel_end, step) WHERE answer = 'over'",
    ),
)


def _shown(name: str, note: str, unit: str = "") -> Column:
    return Column(name, "", note, unit)


JOB_LIST = View(
    "job_list",
    """SELECT job.id AS id, job.opened_utc AS opened_utc, job.closed_utc AS closed_utc, job.vin AS vin,
       job.vehicle AS vehicle, job.odometer_km AS odometer_km, job.technician AS technician,
       wheel_end.wheel AS wheel, wheel_end.new_part AS new_part, wheel_end.new_lot AS new_lot
FROM job JOIN wheel_end ON wheel_end.job = job.key""",
    (
        _shown("id", "name of the job everywhere", "UUIDv7"),
        _shown("opened_utc", "when it was opened", "UTC, RFC 3339"),
        _shown("closed_utc", "when the vehicle was released; null while open", "UTC, RFC 3339"),
        _shown("vin", "vehicle identification number"),
        _shown("vehicle", "the vehicle in words"),
        _shown("odometer_km", "odometer at arrival", "km"),
        _shown("technician", "who opened it"),
        _shown("wheel", "wheel position"),
        _shown("new_part", "part number of the bearing fitted"),
        _shown("new_lot", "its lot"),
    ),
)

VERSION_2: tuple[Table | View, ...] = (JOB, WHEEL_END, JOB_ENTRY, JOB_LIST)
