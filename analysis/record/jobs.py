"""Jobs in the record: opened, taken step by step by anybody at any bench, released, and looked up.

Every entry is added, none is changed: the latest of a step counts and the earlier ones stay to be seen.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any, Self

from analysis.record import job_chain
from analysis.record.database import connect, make_private, migrate, told, writing
from analysis.record.ids import uuid7
from analysis.record.queries import rfc3339
from analysis.record.words import Wheel
from config.clock import Clock, SystemClock
from config.errors import InputError
from config.path import Answer, Step, open_steps, read_answer
from config.torque import compare_torque


@dataclass(frozen=True, slots=True)
class JobSheet:
    """What is written down when the vehicle arrives."""

    technician: str
    vehicle: str = ""
    vin: str | None = None
    odometer_km: float | None = None
    complaint: str = ""


@dataclass(frozen=True, slots=True)
class WheelSheet:
    """One wheel end of a job; limits are lengths as typed, by quantity."""

    wheel: Wheel
    bearing: str = "not known"
    encoder: str = "not known"
    old_part: str = ""
    old_lot: str = ""
    new_part: str = ""
    new_lot: str = ""
    torque_n_m: float | None = None
    limits: Mapping[str, str] = field(default_factory=dict)
    source: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing recorded."""

    step: str
    what: str
    answer: str
    number: float | None
    run: str | None
    problem: str | None
    technician: str
    at_utc: str


@dataclass(frozen=True, slots=True)
class WheelEnd:
    """A wheel end and all that was recorded of it, in order."""

    sheet: WheelSheet
    entries: tuple[Entry, ...]

    @property
    def latest(self) -> dict[str, Entry]:
        """The entry that counts, by step."""
        return {entry.step: entry for entry in self.entries}

    @property
    def answers(self) -> dict[str, str]:
        """The answers, wrong ones included, by step."""
        return {step: entry.answer for step, entry in self.latest.items() if entry.what == "answer"}

    @property
    def right_answers(self) -> dict[str, str]:
        """The answers without a problem, by step."""
        return {step: answer for step, answer in self.answers.items() if not self.latest[step].problem}

    @property
    def skipped(self) -> tuple[str, ...]:
        """Steps skipped."""
        return tuple(step for step, entry in self.latest.items() if entry.what == "skip")

    @property
    def problems(self) -> tuple[str, ...]:
        """What keeps the job from going on."""
        return tuple(entry.problem for entry in self.latest.values() if entry.problem)

    def to_do(self, steps: Sequence[Step]) -> tuple[Step, ...]:
        """Steps asked and not done, the first is next; a step with a problem is not done."""
        right = {step: entry.answer for step, entry in self.latest.items() if not entry.problem}
        left = {step.id for step in open_steps(steps, self.answers, self.skipped)}
        return tuple(
            s
            for s in steps
            if s.id in left or (s.asked(self.answers) and s.id in self.latest and s.id not in right)
        )


@dataclass(frozen=True, slots=True)
class JobRecord:
    """A job with its wheel ends."""

    id: str
    opened_utc: str
    closed_utc: str | None
    sheet: JobSheet
    wheels: tuple[WheelEnd, ...]

    def wheel(self, wheel: Wheel | None) -> WheelEnd:
        """The wheel end of that position; None for the only one.

        Raises:
            InputError: no such wheel end in the job, or several and none named.
        """
        known = ", ".join(end.sheet.wheel for end in self.wheels)
        if wheel is None and len(self.wheels) == 1:
            return self.wheels[0]
        for end in self.wheels:
            if end.sheet.wheel == wheel:
                return end
        raise InputError(f"wheel {wheel!r} is not in this job", where="--wheel", expected=known)


class Jobs:
    """The jobs of one record file; several processes may use it at once. Raises `StoreError` when refused."""

    def __init__(self, path: Path, connection: sqlite3.Connection, clock: Clock) -> None:
        self.path = path
        self._connection = connection
        self._clock = clock

    @classmethod
    def open(cls, path: Path, *, clock: Clock | None = None) -> Self:
        """Open the jobs of a record, making or bringing up the file as needed."""
        with told(path):
            make_private(path)
            connection = connect(path)
            try:
                connection.row_factory = sqlite3.Row
                migrate(connection, path)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection, clock or SystemClock())

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def begin(self, sheet: JobSheet, wheels: Sequence[WheelSheet]) -> str:
        """Open a job and return its id.

        Raises:
            InputError: no wheel end or one twice, no technician, a job of this vehicle still open, or an
                odometer below that of an earlier visit.
        """
        if not sheet.technician.strip():
            raise InputError("a job needs a technician", where="--technician")
        if not wheels or len({end.wheel for end in wheels}) != len(wheels):
            raise InputError("a job needs its wheel ends, each once", where="--wheel")
        now = self._clock.utc()
        job_id = str(uuid7(now))
        with told(self.path), writing(self._connection):
            self._check_vehicle(sheet)
            row = {"id": job_id, "opened_utc": rfc3339(now), **asdict(sheet)}
            key = self._insert("job", row)
            for end in wheels:
                self._insert("wheel_end", {"job": key, **asdict(end), "limits": json.dumps(dict(end.limits))})
            job_chain.link(self._connection, job_chain.OPENED, job_id)
        return job_id

    def _check_vehicle(self, sheet: JobSheet) -> None:
        if sheet.odometer_km is not None and not 0 <= sheet.odometer_km < 10_000_000:
            raise InputError(f"odometer {sheet.odometer_km:g} km", where="--odometer", expected="0 or more")
        if sheet.vin is None:
            return
        earlier = self._all(
            "SELECT id, closed_utc, odometer_km FROM job WHERE vin = ? ORDER BY key", sheet.vin
        )
        for row in earlier:
            if row["closed_utc"] is None:
                raise InputError(
                    f"job {row['id']} of {sheet.vin} is still open",
                    where="job",
                    do="take it up, or release it first",
                )
        highest = max((r["odometer_km"] for r in earlier if r["odometer_km"] is not None), default=None)
        if highest is not None and sheet.odometer_km is not None and sheet.odometer_km < highest:
            raise InputError(
                f"odometer {sheet.odometer_km:g} km is below {highest:g} km of an earlier visit",
                where="--odometer",
                do="read it again",
            )

    def find(self, name: str) -> JobRecord:
        """The job with this id, beginning of an id, VIN (its latest), or ``last``.

        Raises:
            InputError: none, or more than one.
        """
        if name == "last":
            rows = self._all("SELECT * FROM job ORDER BY key DESC LIMIT 1")
        else:
            rows = self._all("SELECT * FROM job WHERE vin = ? ORDER BY key DESC LIMIT 1", name.upper())
            if not rows and len(name) >= 4:
                rows = self._all(
                    "SELECT * FROM job WHERE id >= ? AND id < ? LIMIT 2", name.lower(), name.lower() + "g"
                )
        if len(rows) != 1:
            found = "no job" if not rows else "more than one job"
            raise InputError(f"{found} {name!r}", do="see 'hubproof job list'")
        return self._record(rows[0])

    def _record(self, row: sqlite3.Row) -> JobRecord:
        ends = self._all("SELECT * FROM wheel_end WHERE job = ? ORDER BY key", row["key"])
        sheet = JobSheet(**{name: row[name] for name in JobSheet.__dataclass_fields__})
        return JobRecord(
            row["id"], row["opened_utc"], row["closed_utc"], sheet, tuple(self._end(end) for end in ends)
        )

    def _end(self, row: sqlite3.Row) -> WheelEnd:
        values = {name: row[name] for name in WheelSheet.__dataclass_fields__}
        values["limits"] = json.loads(row["limits"])
        entries = self._all("SELECT * FROM job_entry WHERE wheel_end = ? ORDER BY key", row["key"])
        names = Entry.__dataclass_fields__
        return WheelEnd(WheelSheet(**values), tuple(Entry(**{n: e[n] for n in names}) for e in entries))

    def answer(
        self, job: JobRecord, end: WheelEnd, step: Step, text: str, technician: str, *, run: str | None = None
    ) -> Answer:
        """Record an answer; a wrong one is kept, with its problem, and leaves the step open.

        Args:
            job: not closed.
            end: of the job.
            step: of the path.
            text: what was typed; for a run its verdict or ``measured``.
            technician: who.
            run: id of the run.

        Raises:
            InputError: not an answer, not asked, or a step comes first. Nothing was recorded then.
        """
        self.check_step(job, end, step)
        if step.records == "run":
            answer = Answer(text, problem=step.wrong.get(text))
        else:
            answer = read_answer(step, text)
        if step.unit == "N m" and end.sheet.torque_n_m is not None and answer.number is not None:
            check = compare_torque(answer.number, Decimal(str(end.sheet.torque_n_m)))
            if not check.good:
                answer = Answer(answer.text, answer.number, f"hub nut: {check.text}")
        self._add(job, end, step.id, "answer", answer, technician, run)
        return answer

    def skip(self, job: JobRecord, end: WheelEnd, step: Step, reason: str, technician: str) -> None:
        """Skip a step.

        Raises:
            InputError: without a reason, or a step that is not asked.
        """
        if not reason.strip():
            raise InputError(f"step {step.id!r} cannot be skipped without a reason", where="--reason")
        self._check_open(job, end, step)
        self._add(job, end, step.id, "skip", Answer(reason.strip()), technician, None)

    def check_step(self, job: JobRecord, end: WheelEnd, step: Step) -> None:
        """Refuse a step that cannot be answered now.

        Raises:
            InputError: the job is released, the step is not asked, or another comes first.
        """
        self._check_open(job, end, step)
        first = step.missing(end.right_answers, end.skipped)
        if first is not None:
            raise InputError(f"step {step.id!r} comes after {first!r}", do=f"record {first!r} rightly first")

    def _check_open(self, job: JobRecord, end: WheelEnd, step: Step) -> None:
        if job.closed_utc is not None:
            raise InputError(f"job {job.id} is released", do="open a new job")
        if not step.asked(end.answers):
            needed = ", ".join(f"{name} = {' or '.join(answers)}" for name, answers in step.when.items())
            raise InputError(f"step {step.id!r} is not asked in this job", expected=needed)

    def release(self, job: JobRecord, steps: Sequence[Step]) -> None:
        """Close a job.

        Raises:
            InputError: a step is open or a problem stands; names the first.
        """
        for end in job.wheels:
            left = end.to_do(steps)
            if left:
                problem = end.latest[left[0].id].problem if left[0].id in end.latest else None
                raise InputError(
                    f"{end.sheet.wheel}: step {left[0].id!r} is open" + (f" ({problem})" if problem else ""),
                    where=f"job {job.id}",
                    do="record it, or skip it with a reason",
                )
            if end.answers.get("released") == "no":
                raise InputError(f"{end.sheet.wheel}: the vehicle was held back", where=f"job {job.id}")
        with told(self.path), writing(self._connection):
            self._connection.execute(
                "UPDATE job SET closed_utc = ? WHERE id = ?", (rfc3339(self._clock.utc()), job.id)
            )
            job_chain.link(self._connection, job_chain.RELEASED, job.id)

    def _add(
        self,
        job: JobRecord,
        end: WheelEnd,
        step: str,
        what: str,
        answer: Answer,
        technician: str,
        run: str | None,
    ) -> None:
        if not technician.strip():
            raise InputError("nobody is named", where="--technician", expected="who recorded it")
        with told(self.path), writing(self._connection):
            key = self._all(
                "SELECT wheel_end.key AS key FROM wheel_end JOIN job ON job.key = wheel_end.job "
                "WHERE job.id = ? AND wheel = ?",
                job.id,
                end.sheet.wheel,
            )[0]["key"]
            number = None if answer.number is None else float(answer.number)
            row = {
                "wheel_end": key, "step": step, "what": what, "answer": answer.text, "number": number,
                "run": run, "problem": answer.problem, "technician": technician,
                "at_utc": rfc3339(self._clock.utc()),
            }  # fmt: skip
            entry = self._insert("job_entry", row)
            job_chain.link(self._connection, job_chain.ENTRY, f"{job.id}/{entry}")

    def latest(
        self,
        *,
        last: int = 50,
        vin: str | None = None,
        technician: str | None = None,
        wheel: Wheel | None = None,
        part: str | None = None,
        lot: str | None = None,
    ) -> tuple[dict[str, Any], ...]:
        """Jobs with a line for each wheel end, the newest first; only those that all filters fit."""
        wanted = {"vin": vin, "technician": technician, "wheel": wheel, "new_part": part, "new_lot": lot}
        asked = {column: value for column, value in wanted.items() if value is not None}
        where = "WHERE " + " AND ".join(f"{column} = ?" for column in asked) if asked else ""
        sql = f"SELECT * FROM job_list {where} ORDER BY id DESC LIMIT ?"  # noqa: S608  columns are ours
        return self._rows(sql, *asked.values(), last)

    def by_part(self) -> tuple[dict[str, Any], ...]:
        """Per part and lot fitted: wheel ends, and the share of them with a run after repair over."""
        return self._rows(_BY_PART)

    def comebacks(self, within_km: float) -> tuple[dict[str, Any], ...]:
        """Wheel ends that came again within a mileage: both jobs, the distance, part and lot before."""
        return self._rows(_COMEBACKS, within_km)

    def _rows(self, sql: str, *values: Any) -> tuple[dict[str, Any], ...]:
        return tuple(dict(row) for row in self._all(sql, *values))

    def _all(self, sql: str, *values: Any) -> list[sqlite3.Row]:
        with told(self.path), closing(self._connection.execute(sql, values)) as cursor:
            return cursor.fetchall()

    def _insert(self, table: str, row: Mapping[str, Any]) -> int:
        names = ", ".join(f'"{name}"' for name in row)
        marks = ", ".join("?" for _ in row)
        sql = f'INSERT INTO "{table}" ({names}) VALUES ({marks})'  # noqa: S608  names are ours, values are bound
        return int(self._connection.execute(sql, tuple(row.values())).lastrowid or 0)


_BY_PART = """SELECT new_part AS part, new_lot AS lot, count(*) AS wheel_ends,
       avg(EXISTS (SELECT 1 FROM job_entry WHERE job_entry.wheel_end = wheel_end.key
                   AND job_entry.step IN ('play_after', 'runout_after')
                   AND job_entry.answer = 'over')) AS share_over
FROM wheel_end WHERE new_part <> '' GROUP BY new_part, new_lot ORDER BY share_over DESC, wheel_ends DESC"""

_COMEBACKS = """SELECT before.vin AS vin, first.wheel AS wheel, before.id AS before, after.id AS after,
       after.odometer_km - before.odometer_km AS distance_km, first.new_part AS part, first.new_lot AS lot
FROM job AS before JOIN wheel_end AS first ON first.job = before.key
JOIN job AS after ON after.vin = before.vin AND after.key > before.key
JOIN wheel_end AS second ON second.job = after.key AND second.wheel = first.wheel
WHERE after.odometer_km - before.odometer_km <= ? ORDER BY after.id DESC"""
