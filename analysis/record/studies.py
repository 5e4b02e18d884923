"""Studies of the measuring system in the record: planned, walked through, kept with the indicator.

A study is taken up again wherever it was left; a trial measured again adds a reading, and the latest counts.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from analysis.gauge_study import (
    PlanStep,
    Study,
    StudyReading,
    analysis_of_variance,
    average_and_range,
    crossed,
    plan,
)
from analysis.record import job_chain
from analysis.record.database import told, writing
from analysis.record.ids import uuid7
from analysis.record.queries import rfc3339
from analysis.record.rows import Rows
from config.errors import InputError
from config.lengths import UM_PER_MM

NM_PER_UM = 1_000.0


@dataclass(frozen=True, slots=True)
class StudySheet:
    """What a study is planned as.

    Attributes:
        indicator, serial_number: the instrument studied.
        quantity: what is measured: ``runout``, ``endplay``, ``bore``, or another length in words.
        technicians, parts: names in the order of the plan; one technician makes the short form.
        trials: of each technician with each part.
        limit_nm: upper limit of the quantity; None when none was named.
        seed: of the order in which the parts come.
    """

    indicator: str
    quantity: str
    technicians: tuple[str, ...]
    parts: tuple[str, ...]
    trials: int
    serial_number: str = ""
    limit_nm: int | None = None
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Trial:
    """One measurement of a study: `value_nm`, its run (None when typed), and when."""

    technician: str
    part: str
    trial: int
    value_nm: int
    run: str | None
    at_utc: str


@dataclass(frozen=True, slots=True)
class StudyRecord:
    """A study as it stands: its sheet, every measurement in order, and its results once it is complete."""

    id: str
    begun_utc: str
    sheet: StudySheet
    trials: tuple[Trial, ...]
    results: tuple[Mapping[str, Any], ...]

    @property
    def latest(self) -> dict[PlanStep, Trial]:
        """The measurement that counts, by step of the plan."""
        return {PlanStep(one.trial, one.technician, one.part): one for one in self.trials}

    @property
    def to_do(self) -> tuple[PlanStep, ...]:
        """What is left, in the order of the plan; the first is next."""
        done = self.latest
        return tuple(step for step in self.plan if step not in done)

    @property
    def plan(self) -> tuple[PlanStep, ...]:
        """Every step, in order."""
        sheet = self.sheet
        return plan(sheet.technicians, sheet.parts, sheet.trials, seed=sheet.seed)

    @property
    def complete(self) -> bool:
        """Every trial was measured."""
        return not self.to_do


class Studies(Rows):
    """The studies of one record file. Raises `StoreError` when the database refuses."""

    def begin(self, sheet: StudySheet) -> StudyRecord:
        """Plan a study.

        Raises:
            InputError: no name, a name twice, too few trials, or more than the tables cover.
        """
        plan(sheet.technicians, sheet.parts, sheet.trials, seed=sheet.seed)  # refuses what cannot be planned
        if not all(
            name.strip() for name in (sheet.indicator, sheet.quantity, *sheet.technicians, *sheet.parts)
        ):
            raise InputError("a name is empty", where="study", expected="indicator, quantity, names")
        now = self._clock.utc()
        row = {**asdict(sheet), "id": str(uuid7(now)), "begun_utc": rfc3339(now)}
        row |= {name: json.dumps(row[name], ensure_ascii=False) for name in ("technicians", "parts")}
        with told(self.path), writing(self._connection):
            self._insert("study", row)
        return self.find(row["id"])

    def find(self, name: str) -> StudyRecord:
        """The study of that id, of a beginning of one, or the ``last`` one.

        Raises:
            InputError: none, or more than one.
        """
        if name == "last":
            rows = self._all("SELECT * FROM study ORDER BY key DESC LIMIT 1")
        elif len(name) >= 4:
            low = name.lower()
            rows = self._all("SELECT * FROM study WHERE id >= ? AND id < ? LIMIT 2", low, low + "g")
        else:
            rows = []
        if len(rows) != 1:
            found = "no study" if not rows else "more than one study"
            raise InputError(f"{found} {name!r}", do="see 'hubproof study list'")
        return self._record(rows[0])

    def _record(self, row: sqlite3.Row) -> StudyRecord:
        values = {name: row[name] for name in StudySheet.__dataclass_fields__}
        values |= {name: tuple(json.loads(row[name])) for name in ("technicians", "parts")}
        names = Trial.__dataclass_fields__
        trials = self._all("SELECT * FROM study_reading WHERE study = ? ORDER BY key", row["key"])
        results = self._all("SELECT json FROM study_result WHERE study = ? ORDER BY key", row["key"])
        return StudyRecord(
            row["id"],
            row["begun_utc"],
            StudySheet(**values),
            tuple(Trial(**{name: each[name] for name in names}) for each in trials),
            tuple(json.loads(each["json"]) for each in results),
        )

    def measured(
        self, study: StudyRecord, step: PlanStep, value_nm: int, *, run: str | None = None
    ) -> StudyRecord:
        """Keep what was measured for a step of the plan; a step measured again counts anew.

        Raises:
            InputError: the study is finished, or the step is not in its plan.
        """
        if step not in study.plan:
            raise InputError(
                f"trial {step.trial} of {step.technician!r} with part {step.part!r} is not in the plan",
                where=f"study {study.id}",
            )
        row = {**asdict(step), "value_nm": value_nm, "run": run, "at_utc": rfc3339(self._clock.utc())}
        with told(self.path), writing(self._connection):
            self._going_on(study.id)
            self._insert("study_reading", {"study": self._key(study), **row})
        return self.find(study.id)

    def finish(self, study: StudyRecord) -> tuple[Study, Study]:
        """Work out a complete study and keep its results with the indicator: by range and by variance.

        Raises:
            InputError: a trial is missing, or it was finished before.
        """
        at_utc = rfc3339(self._clock.utc())
        with told(self.path), writing(self._connection):
            now = self._going_on(study.id)
            if not now.complete:
                step = now.to_do[0]
                raise InputError(
                    f"{len(now.to_do)} of {len(now.plan)} measurements are missing",
                    where=f"study {study.id}",
                    expected=f"next: {step.technician}, part {step.part}, trial {step.trial}",
                )
            results = work_out(now)
            key = self._key(study)
            for result in results:
                self._insert("study_result", {"study": key, "at_utc": at_utc, **_result_row(result)})
            job_chain.link(self._connection, job_chain.STUDY, study.id)
        return results

    def _going_on(self, study_id: str) -> StudyRecord:
        """The study as it stands within a transaction: another tablet may have finished it meanwhile."""
        study = self.find(study_id)
        if study.results:
            raise InputError(f"study {study.id} is finished", do="begin a new one")
        return study

    def of_indicator(self, indicator: str, serial_number: str = "") -> tuple[StudyRecord, ...]:
        """The finished studies of an instrument, the newest first."""
        rows = self._all(
            "SELECT * FROM study WHERE indicator = ? AND serial_number = ?"
            " AND EXISTS (SELECT 1 FROM study_result WHERE study = study.key) ORDER BY key DESC",
            indicator,
            serial_number,
        )
        return tuple(self._record(row) for row in rows)

    def latest(self, last: int = 50) -> tuple[StudyRecord, ...]:
        """Studies, the newest first, finished or not."""
        return tuple(
            self._record(row) for row in self._all("SELECT * FROM study ORDER BY key DESC LIMIT ?", last)
        )

    def _key(self, study: StudyRecord) -> int:
        return int(self._all("SELECT key FROM study WHERE id = ?", study.id)[0][0])


def work_out(study: StudyRecord) -> tuple[Study, Study]:
    """The study by average and range, and by analysis of variance."""
    readings = [
        StudyReading(step.technician, step.part, step.trial, one.value_nm / NM_PER_UM)
        for step, one in study.latest.items()
    ]
    table = crossed(sorted(readings, key=lambda one: _place(study.sheet, one)))
    limit_um = None if study.sheet.limit_nm is None else study.sheet.limit_nm / NM_PER_UM
    return average_and_range(table, limit_um=limit_um), analysis_of_variance(table, limit_um=limit_um)


def _place(sheet: StudySheet, one: StudyReading) -> tuple[int, int, int]:
    return sheet.technicians.index(one.technician), sheet.parts.index(one.part), one.trial


def study_told(study: Study) -> dict[str, Any]:
    """A study's figures as JSON: lengths in mm, squares of the table in mm2."""
    told: dict[str, Any] = {}
    for name, value in asdict(study).items():
        if name.endswith("_um"):
            told[f"{name.removesuffix('_um')}_mm"] = None if value is None else value / UM_PER_MM
        elif name != "table":
            told[name] = value
    told["table"] = [
        {
            "source": row.source,
            "sum_of_squares_mm2": row.sum_of_squares / 1e6,
            "degrees_of_freedom": row.degrees_of_freedom,
            "f": row.f,
            "p": row.p,
        }
        for row in study.table
    ]
    return {**told, "percent_of_total": study.percent_of_total, "fit_for_use": study.fit_for_use}


def _result_row(study: Study) -> dict[str, Any]:
    told = study_told(study)
    names = (
        "method", "repeatability_mm", "reproducibility_mm", "combined_mm", "percent_of_total",
        "percent_of_limit", "categories", "fit_for_use",
    )  # fmt: skip
    return {
        **{name: told[name] for name in names},
        "json": json.dumps(told, ensure_ascii=False, allow_nan=False),
    }
