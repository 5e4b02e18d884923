"""Jobs over the daemon's door: opened, taken step by step, measured for, photographed, released."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, TypeVar

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from pydantic import Field

from analysis.record import parse_wheel
from analysis.record.job_merge import ENDING, export_job
from analysis.record.jobs import Jobs
from analysis.record.photos import read_photo
from capture.bench import Bench
from capture.job_measure import run_request
from capture.job_models import (
    JobIn,
    JobLine,
    JobOpened,
    JobView,
    Name,
    SkipIn,
    StepIn,
    StepOut,
    StepTaken,
)
from capture.job_view import step_out, view
from capture.jobs import begin, jobs_in, path_of, pick, take_step
from capture.messages import Message, RunProgress
from config.errors import InputError
from config.path import Step, find_step

Told = TypeVar("Told")
ZIP = "application/zip"
PHOTOS: dict[str, Any] = {"image/jpeg": {}, "image/png": {}}


class MeasureIn(Message):
    """How the run of a step is measured; what is left out is what the path and the sheet say."""

    wheel: Name | None = None
    indicator: Name | None = None
    turns: Annotated[float, Field(gt=0, le=100)] = 3
    strokes: Annotated[int, Field(gt=0, le=100)] = 3


def add_jobs(app: FastAPI, bench: Bench) -> None:
    """Add the routes below ``/jobs``, ``/path`` and ``/photos``."""
    desk = Desk(bench)
    _add_looking(app, desk)
    _add_files(app, desk)
    _add_steps(app, desk)
    _add_ends(app, desk)


class Desk:
    """Jobs of the station's folder for one request at a time; each opens the record for itself."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    @property
    def data(self) -> Path:
        """The station's folder."""
        return self.bench.store.path.parent

    async def ask(self, work: Callable[[Jobs, tuple[Step, ...]], Told]) -> Told:
        """Do `work` with the jobs and the path of steps, in a thread of its own."""

        def done() -> Told:
            with jobs_in(self.data, clock=self.bench.clock) as jobs:
                return work(jobs, path_of(self.data))

        return await asyncio.to_thread(done)

    def view(self, jobs: Jobs, steps: tuple[Step, ...], job: str) -> JobView:
        """The job as it is told."""
        return view(jobs.find(job), steps, self.bench.store)

    def take(self, jobs: Jobs, steps: tuple[Step, ...], given: dict[str, Any]) -> StepTaken:
        """Record a step and tell the job as it stands then."""
        taken = take_step(jobs, steps, given, data=self.data)
        return StepTaken(
            step=given["step"],
            answer=taken.answer.text,
            problem=taken.answer.problem,
            notice=taken.notice,
            job=self.view(jobs, steps, given["job"]),
        )


def _add_looking(app: FastAPI, desk: Desk) -> None:
    @app.get("/path")
    async def path() -> tuple[StepOut, ...]:
        return await desk.ask(lambda _, steps: tuple(step_out(step) for step in steps))

    @app.get("/jobs")
    async def jobs(
        vin: Name | None = None,
        technician: Name | None = None,
        wheel: Name | None = None,
        part: Name | None = None,
        lot: Name | None = None,
        last: Annotated[int, Query(ge=1, le=1_000)] = 50,
    ) -> tuple[JobLine, ...]:
        position = parse_wheel(wheel) if wheel else None
        rows = await desk.ask(
            lambda jobs, _: jobs.latest(
                vin=vin, technician=technician, wheel=position, part=part, lot=lot, last=last
            )
        )
        return tuple(JobLine.model_validate(row) for row in rows)

    @app.post("/jobs", status_code=201)
    async def open_job(asked: JobIn) -> JobOpened:
        def work(jobs: Jobs, steps: tuple[Step, ...]) -> JobOpened:
            given = asked.model_dump()
            job_id, warnings = begin(jobs, given, given["wheels"])
            return JobOpened(job=desk.view(jobs, steps, job_id), warnings=warnings)

        return await desk.ask(work)

    @app.get("/jobs/{job}")
    async def one(job: str) -> JobView:
        return await desk.ask(lambda jobs, steps: desk.view(jobs, steps, job))


def _add_files(app: FastAPI, desk: Desk) -> None:
    @app.get("/photos/{sha256}", response_class=Response, responses={200: {"content": PHOTOS}})
    async def photo(sha256: str, job: str) -> Response:
        """A photo as it was kept; `job` names the job that it belongs to."""

        def work(jobs: Jobs, _: tuple[Step, ...]) -> Response:
            for end in jobs.find(job).wheels:
                for kept in (photo for _, photo in end.photos if photo.sha256 == sha256):
                    return Response(read_photo(desk.data, kept), media_type=kept.media_type)
            raise InputError("is not in this job", where=f"photo {sha256[:12]}")

        return await desk.ask(work)

    @app.get("/jobs/{job}/export", response_class=Response, responses={200: {"content": {ZIP: {}}}})
    async def export(job: str) -> Response:
        """Everything of a job as one file, to be taken up on another bench."""

        def work(jobs: Jobs, _: tuple[Step, ...]) -> Response:
            found = jobs.find(job)
            with tempfile.TemporaryDirectory(prefix="hubproof-job-") as folder:
                file = Path(folder) / f"{found.id}{ENDING}"
                export_job(jobs, found, file)
                named = {"Content-Disposition": f'attachment; filename="{file.name}"'}
                return Response(file.read_bytes(), media_type=ZIP, headers=named)

        return await desk.ask(work)


def _add_steps(app: FastAPI, desk: Desk) -> None:
    @app.post("/jobs/{job}/steps/{step}")
    async def take(job: str, step: str, asked: StepIn) -> StepTaken:
        given = {"job": job, "step": step, **asked.model_dump()}

        def work(jobs: Jobs, steps: tuple[Step, ...]) -> StepTaken:
            if find_step(steps, step).records == "photo":
                raise InputError(f"step {step!r} is a photo", do="send its bytes to …/photos")
            return desk.take(jobs, steps, given)

        return await desk.ask(work)

    @app.post("/jobs/{job}/steps/{step}/photos")
    async def photo(
        request: Request, job: str, step: str, technician: Name, name: Name, wheel: Name | None = None
    ) -> StepTaken:
        """The body is the photo, JPEG or PNG, as it came from the camera."""
        who = {"technician": technician, "wheel": wheel}
        given = {"job": job, "step": step, **who, "photo": await request.body(), "name": name}

        def work(jobs: Jobs, steps: tuple[Step, ...]) -> StepTaken:
            if find_step(steps, step).records != "photo":
                raise InputError(f"step {step!r} is no photo")
            return desk.take(jobs, steps, given)

        return await desk.ask(work)

    @app.post("/jobs/{job}/steps/{step}/skip")
    async def skip(job: str, step: str, asked: SkipIn) -> JobView:
        def work(jobs: Jobs, steps: tuple[Step, ...]) -> JobView:
            found, end = pick(jobs, job, asked.wheel)
            jobs.skip(found, end, find_step(steps, step), asked.reason, asked.technician)
            return desk.view(jobs, steps, job)

        return await desk.ask(work)

    @app.post("/jobs/{job}/steps/{step}/run", status_code=201)
    async def measure(job: str, step: str, asked: MeasureIn) -> RunProgress:
        """Begin the run of a step; when it has ended, record the step with its id."""
        request = await desk.ask(
            lambda jobs, steps: run_request(jobs, steps, {"job": job, "step": step, **asked.model_dump()})
        )
        return await desk.bench.start_run(request)


def _add_ends(app: FastAPI, desk: Desk) -> None:
    @app.post("/jobs/{job}/release")
    async def release(job: str) -> JobView:
        def work(jobs: Jobs, steps: tuple[Step, ...]) -> JobView:
            jobs.release(jobs.find(job), steps)
            return desk.view(jobs, steps, job)

        return await desk.ask(work)

    @app.post("/jobs/{job}/stop")
    async def stop(job: str, asked: SkipIn) -> JobView:
        def work(jobs: Jobs, steps: tuple[Step, ...]) -> JobView:
            jobs.stop(jobs.find(job), asked.reason, asked.technician)
            return desk.view(jobs, steps, job)

        return await desk.ask(work)
