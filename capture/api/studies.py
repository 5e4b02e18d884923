"""Studies of the measuring system over the daemon's door."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Query
from pydantic import Field

from analysis.record.studies import Studies, StudyRecord
from capture.bench import Bench
from capture.job_models import Name
from capture.messages import Message
from capture.studies import begin_study, enter, studies_in, told


class StudyIn(Message):
    """A study as planned; one technician makes the short form. `limit` with its unit."""

    indicator: Name
    quantity: Name
    technicians: Annotated[tuple[Name, ...], Field(min_length=1, max_length=10)]
    parts: Annotated[tuple[Name, ...], Field(min_length=1, max_length=10)]
    trials: Annotated[int, Field(ge=2, le=6)] = 3
    limit: Name | None = None
    seed: Annotated[int, Field(ge=0, lt=2**31)] = 0


class StepOfStudy(Message):
    """Whose turn it is, with which part, in which trial."""

    technician: str
    part: str
    trial: int


class TrialIn(Message):
    """What was measured: a value with its unit, or an ended run; for the next step unless one is named."""

    value: Name | None = None
    run: Name | None = None
    technician: Name | None = None
    part: Name | None = None
    trial: int | None = None


class StudyView(Message):
    """A study as it stands. `results` are its two evaluations once it is finished, lengths in mm."""

    study: str
    begun_utc: str
    indicator: str
    serial_number: str
    quantity: str
    form: Literal["short", "crossed"]
    technicians: tuple[str, ...]
    parts: tuple[str, ...]
    trials: int
    limit_mm: float | None
    done: int
    steps: int
    next: StepOfStudy | None
    results: tuple[dict[str, Any], ...]


def add_studies(app: FastAPI, bench: Bench) -> None:
    """Add the routes below ``/studies``."""

    async def ask(work: Callable[[Studies], StudyRecord]) -> StudyView:
        def done() -> StudyView:
            with studies_in(bench.store.path.parent, clock=bench.clock) as studies:
                return StudyView.model_validate(told(work(studies)))

        return await asyncio.to_thread(done)

    @app.get("/studies")
    async def list_studies(last: Annotated[int, Query(ge=1, le=500)] = 50) -> tuple[StudyView, ...]:
        def done() -> tuple[StudyView, ...]:
            with studies_in(bench.store.path.parent) as studies:
                return tuple(StudyView.model_validate(told(one)) for one in studies.latest(last))

        return await asyncio.to_thread(done)

    @app.post("/studies", status_code=201)
    async def begin(asked: StudyIn) -> StudyView:
        given = asked.model_dump()
        given["serial_number"] = {one.name: one.serial_number for one in bench.described()}.get(
            asked.indicator, ""
        )
        return await ask(lambda studies: begin_study(studies, given))

    @app.get("/studies/{study}")
    async def one(study: str) -> StudyView:
        return await ask(lambda studies: studies.find(study))

    @app.post("/studies/{study}/trials")
    async def trial(study: str, asked: TrialIn) -> StudyView:
        given, data = asked.model_dump(), bench.store.path.parent
        return await ask(lambda studies: enter(studies, studies.find(study), given, data=data))

    @app.post("/studies/{study}/finish")
    async def finish(study: str) -> StudyView:
        def work(studies: Studies) -> StudyRecord:
            studies.finish(studies.find(study))
            return studies.find(study)

        return await ask(work)
