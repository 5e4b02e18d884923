"""Jobs in the record: opened, taken step by step by anybody at any bench, released, and looked up.

Every entry is added, none is changed: the latest of a step counts and the earlier ones stay to be seen.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from decimal import Decimal
from typing import Any

from analysis.record import job_chain
from analysis.record.database import told, writing
from analysis.record.ids import uuid7
from analysis.record.job_history import BY_PART, COMEBACKS, list_query
from analysis.record.job_values import (
    Attachment,
    Entry,
    JobRecord,
    JobSheet,
    WheelEnd,
    WheelSheet,
)
from analysis.record.queries import rfc3339
from analysis.record.rows import Rows
from analysis.record.words import Wheel
from config.errors import InputError
from config.path import Answer, Step, read_answer
from config.torque import compare_torque

__all__ = ["Attachment", "Entry", "JobRecord", "JobSheet", "Jobs", "WheelEnd", "WheelSheet"]

RELEASE_STEP = "released"
Check = Callable[[JobRecord, WheelEnd], None]
"""Raises `InputError` where an entry may not be written."""


class Jobs(Rows):
    """The jobs of one record file; several processes may use it at once. Raises `StoreError` when refused."""

    # Opening and finding ---------------------------------------------------------------------------

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
            self.insert_job(job_id, rfc3339(now), sheet, wheels)
        return job_id

    def insert_job(self, job_id: str, opened_utc: str, sheet: JobSheet, wheels: Sequence[WheelSheet]) -> None:
        """Write a job's sheets; within a transaction of the caller."""
        key = self._insert("job", {"id": job_id, "opened_utc": opened_utc, **asdict(sheet)})
        for end in wheels:
            written = {name: json.dumps(dict(getattr(end, name))) for name in ("limits", "sizes")}
            self._insert("wheel_end", {"job": key, **asdict(end), **written})
        job_chain.link(self._connection, job_chain.OPENED, job_id)

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
            rows = self._all("SELECT * FROM job ORDER BY id DESC LIMIT 1")
        else:
            rows = self._all("SELECT * FROM job WHERE vin = ? ORDER BY id DESC LIMIT 1", name.upper())
            if not rows and len(name) >= 4:
                rows = self._all(
                    "SELECT * FROM job WHERE id >= ? AND id < ? LIMIT 2", name.lower(), name.lower() + "g"
                )
        if len(rows) != 1:
            found = "no job" if not rows else "more than one job"
            raise InputError(f"{found} {name!r}", do="see 'hubproof job list'")
        return self._record(rows[0])

    def has(self, job_id: str) -> bool:
        """Whether a job of exactly this id is here."""
        return bool(self._all("SELECT 1 FROM job WHERE id = ?", job_id))

    def _record(self, row: sqlite3.Row) -> JobRecord:
        ends = self._all("SELECT * FROM wheel_end WHERE job = ? ORDER BY key", row["key"])
        sheet = JobSheet(**{name: row[name] for name in JobSheet.__dataclass_fields__})
        return JobRecord(
            row["id"],
            row["opened_utc"],
            row["closed_utc"],
            sheet,
            tuple(self._end(row["id"], end) for end in ends),
        )

    def _end(self, job_id: str, row: sqlite3.Row) -> WheelEnd:
        values = {name: row[name] for name in WheelSheet.__dataclass_fields__}
        for name in ("limits", "sizes"):
            values[name] = json.loads(row[name])
        attached: dict[int, list[Attachment]] = {}
        for each in self._all(
            "SELECT job_attachment.* FROM job_attachment JOIN job_entry ON job_entry.key = entry"
            " WHERE wheel_end = ? ORDER BY job_attachment.key",
            row["key"],
        ):
            plain = {n: each[n] for n in Attachment.__dataclass_fields__}
            plain["content"] = json.loads(plain["content"])
            attached.setdefault(each["entry"], []).append(Attachment(**plain))
        entries = self._all(
            "SELECT * FROM job_entry WHERE wheel_end = ? ORDER BY place, at_utc, id", row["key"]
        )
        return WheelEnd(
            WheelSheet(**values),
            tuple(_entry(job_id, each, tuple(attached.get(each["key"], ()))) for each in entries),
        )

    # Taking steps ----------------------------------------------------------------------------------

    def answer(
        self,
        job: JobRecord,
        end: WheelEnd,
        step: Step,
        text: str,
        technician: str,
        *,
        run: str | None = None,
        attached: Iterable[Attachment] = (),
        problem: str | None = None,
    ) -> Answer:
        """Record an answer; a wrong one is kept, with its problem, and leaves the step open.

        Args:
            job: not closed.
            end: of the job.
            step: of the path.
            text: what was typed; for a run its verdict or ``measured``.
            technician: who.
            run: id of the run.
            attached: what is kept with it; `new_attachment` makes one.
            problem: why the job cannot go on, where the path itself does not say so.

        Raises:
            InputError: not an answer, not asked, or a step comes first. Nothing was recorded then.
        """
        self.check_step(job, end, step)
        if step.is_found_out:
            answer = Answer(text, problem=problem or step.wrong.get(text))
        else:
            answer = read_answer(step, text)
        if step.unit == "N m" and end.sheet.torque_n_m is not None and answer.number is not None:
            check = compare_torque(answer.number, Decimal(str(end.sheet.torque_n_m)))
            if not check.good:
                answer = Answer(answer.text, answer.number, f"hub nut: {check.text}")
        self._add(job, end, step.id, "answer", answer, technician, run, attached)
        return answer

    def new_attachment(self, what: str, **more: Any) -> Attachment:
        """An attachment with a name of its own, to be given to `answer`."""
        return Attachment(str(uuid7(self._clock.utc())), what, **more)  # type: ignore[arg-type]

    def skip(self, job: JobRecord, end: WheelEnd, step: Step, reason: str, technician: str) -> None:
        """Skip a step.

        Raises:
            InputError: without a reason, a step that is not asked, or one that was answered wrongly.
        """
        if not reason.strip():
            raise InputError(f"step {step.id!r} cannot be skipped without a reason", where="--reason")
        self._add(
            job, end, step.id, "skip", Answer(reason.strip()), technician, None, may=self._check_skip(step)
        )

    def _check_skip(self, step: Step) -> Check:
        def check(job: JobRecord, end: WheelEnd) -> None:
            self._check_open(job, end, step)
            before = end.latest.get(step.id)
            if before is not None and before.problem:
                raise InputError(
                    f"step {step.id!r} cannot be skipped over what was found: {before.problem}",
                    do="put it right and record it again",
                )

        return check

    def check_step(self, job: JobRecord, end: WheelEnd, step: Step) -> None:
        """Refuse a step that cannot be answered now.

        Raises:
            InputError: the job is released, the step is not asked, or another comes first.
        """
        self._check_open(job, end, step)
        wrong = {name for name, entry in end.latest.items() if entry.problem}
        first = step.missing(end.right_answers, end.skipped, wrong)
        if first is not None:
            raise InputError(f"step {step.id!r} comes after {first!r}", do=f"record {first!r} rightly first")

    def _check_open(self, job: JobRecord, end: WheelEnd, step: Step) -> None:
        if job.closed_utc is not None:
            raise InputError(f"job {job.id} is {job.state}", do="open a new job")
        if not step.asked(end.answers):
            needed = ", ".join(f"{name} = {' or '.join(answers)}" for name, answers in step.when.items())
            raise InputError(f"step {step.id!r} is not asked in this job", expected=needed)

    def release(self, job: JobRecord, steps: Sequence[Step]) -> None:
        """Close a job.

        Raises:
            InputError: a step is open or a problem stands; names the first.
        """
        with told(self.path), writing(self._connection):
            _check_ready(self.find(job.id), steps)  # as it is now: another tablet may have found something
            self.close_job(job.id, rfc3339(self._clock.utc()))

    def stop(self, job: JobRecord, reason: str, technician: str) -> None:
        """Close a job without releasing the vehicle; the reason stays with each wheel end.

        Raises:
            InputError: without a reason, or a job that is closed.
        """
        if not reason.strip():
            raise InputError("a job cannot be stopped without a reason", where="--reason")
        if job.closed_utc is not None:
            raise InputError(f"job {job.id} is {job.state}", do="open a new job")
        said = Answer(reason.strip(), problem="the job was stopped: the vehicle was not released")
        for end in job.wheels:
            self._add(job, end, RELEASE_STEP, "skip", said, technician, None)
        self._close(job)

    def _close(self, job: JobRecord) -> None:
        with told(self.path), writing(self._connection):
            self._check_not_closed(job.id)
            self.close_job(job.id, rfc3339(self._clock.utc()))

    def close_job(self, job_id: str, closed_utc: str) -> None:
        """Write that a job was closed; within a transaction of the caller."""
        self._connection.execute("UPDATE job SET closed_utc = ? WHERE id = ?", (closed_utc, job_id))
        job_chain.link(self._connection, job_chain.RELEASED, job_id)

    def _check_not_closed(self, job_id: str) -> None:
        """Somebody else may have closed it since it was read."""
        if self._all("SELECT 1 FROM job WHERE id = ? AND closed_utc IS NOT NULL", job_id):
            raise InputError(f"job {job_id} is released", do="open a new job")

    def _add(
        self,
        job: JobRecord,
        end: WheelEnd,
        step: str,
        what: str,
        answer: Answer,
        technician: str,
        run: str | None,
        attached: Iterable[Attachment] = (),
        may: Check | None = None,
    ) -> None:
        """Write an entry, if the job as it is at that moment passes `may`."""
        if not technician.strip():
            raise InputError("nobody is named", where="--technician", expected="who recorded it")
        now = self._clock.utc()
        number = None if answer.number is None else float(answer.number)
        with told(self.path), writing(self._connection):
            self._check_not_closed(job.id)
            if may is not None:
                now_job = self.find(job.id)
                may(now_job, next(each for each in now_job.wheels if each.sheet.wheel == end.sheet.wheel))
            key = self.wheel_key(job.id, end.sheet.wheel)
            place = self._all("SELECT max(place) FROM job_entry WHERE wheel_end = ?", key)[0][0] or 0
            entry = Entry(
                str(uuid7(now)), place + 1, step, what, answer.text, number, run, answer.problem, technician,
                rfc3339(now), tuple(attached),
            )  # fmt: skip
            self.insert_entry(job.id, key, entry)

    def wheel_key(self, job_id: str, wheel: str) -> int:
        """The key of a wheel end in this file."""
        found = self._all(
            "SELECT wheel_end.key FROM wheel_end JOIN job ON job.key = wheel_end.job"
            " WHERE job.id = ? AND wheel = ?",
            job_id,
            wheel,
        )
        return int(found[0][0])

    def insert_entry(self, job_id: str, wheel_key: int, entry: Entry) -> None:
        """Write an entry with what is attached to it; within a transaction of the caller."""
        row = {name: getattr(entry, name) for name in Entry.__dataclass_fields__ if name != "attached"}
        key = self._insert("job_entry", {"wheel_end": wheel_key, **row})
        job_chain.link(self._connection, job_chain.ENTRY, f"{job_id}/{key}")
        for each in entry.attached:
            content = json.dumps(dict(each.content), ensure_ascii=False, allow_nan=False)
            self._insert("job_attachment", {"entry": key, **asdict(each), "content": content})
            job_chain.link(self._connection, job_chain.ATTACHED, each.id)

    # Many jobs -------------------------------------------------------------------------------------

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
        sql, values = list_query(wanted, last)
        return self._rows(sql, *values)

    def by_part(self) -> tuple[dict[str, Any], ...]:
        """Per part and lot fitted: wheel ends, and the share of them with a run after repair over."""
        return self._rows(BY_PART)

    def comebacks(self, within_km: float) -> tuple[dict[str, Any], ...]:
        """Wheel ends that came again within a mileage: both jobs, the distance, part and lot before."""
        return self._rows(COMEBACKS, within_km)

    def _rows(self, sql: str, *values: Any) -> tuple[dict[str, Any], ...]:
        return tuple(dict(row) for row in self._all(sql, *values))


def _check_ready(job: JobRecord, steps: Sequence[Step]) -> None:
    """Refuse the release of a job with a step open or a problem standing."""
    if job.closed_utc is not None:
        raise InputError(f"job {job.id} is {job.state}", do="open a new job")
    for end in job.wheels:
        left = end.must_do(steps)
        if left:
            problem = end.latest[left[0].id].problem if left[0].id in end.latest else None
            raise InputError(
                f"{end.sheet.wheel}: step {left[0].id!r} is open" + (f" ({problem})" if problem else ""),
                where=f"job {job.id}",
                do="record it, or skip it with a reason",
            )
        if end.answers.get(RELEASE_STEP) == "no":
            raise InputError(f"{end.sheet.wheel}: the vehicle was held back", where=f"job {job.id}")


def _entry(job_id: str, row: sqlite3.Row, attached: tuple[Attachment, ...]) -> Entry:
    values = {name: row[name] for name in Entry.__dataclass_fields__ if name != "attached"}
    values["id"] = values["id"] or f"{job_id}/{row['key']}"  # written before entries had names
    return Entry(**values, attached=attached)
