"""The signed claim pack of a job, over the door: the same bytes as ``hubproof claim`` writes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

from fastapi import FastAPI
from fastapi.responses import Response

from analysis.record import parse_wheel
from analysis.record.jobs import Jobs
from capture.api.jobs import Desk
from capture.bench import Bench
from capture.folder import KEY
from capture.job_models import Name
from config.path import Step

if TYPE_CHECKING:
    from analysis.claim.pack import Pack

ZIP = "application/zip"


def add_claim(app: FastAPI, bench: Bench) -> None:
    """Add the route."""
    desk = Desk(bench)

    @app.get("/jobs/{job}/claim.zip", responses={200: {"content": {ZIP: {}}}}, response_class=Response)
    async def claim(
        job: str,
        wheel: Name | None = None,
        language: Literal["en", "de"] = "en",
        first_unit: Literal["mm", "in"] = "mm",
        paper: Literal["a4", "us-letter"] = "a4",
        workshop: Name = "",
        with_customer: bool = False,
    ) -> Response:
        """The pack as one zip, made anew and signed."""
        form = {"language": language, "paper": paper, "first_unit": first_unit}

        def work(jobs: Jobs, steps: tuple[Step, ...]) -> Pack:
            return _pack(desk, jobs, steps, job, wheel, form, workshop, with_customer)

        pack = await desk.ask(work)
        name = f"{pack.name}.zip"
        headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
        return Response(pack.content, media_type=ZIP, headers=headers)


def _pack(
    desk: Desk,
    jobs: Jobs,
    steps: tuple[Step, ...],
    job: str,
    wheel: str | None,
    form: Mapping[str, str],
    workshop: str,
    with_customer: bool,
) -> Pack:
    from analysis.claim.from_record import claim_of_job
    from analysis.claim.pack import make_pack
    from analysis.claim.signature import load_or_make_key
    from analysis.claim.values import Form

    position = parse_wheel(wheel, where="wheel") if wheel else None
    asked = Form.model_validate(form)
    told = claim_of_job(desk.bench.store, jobs.find(job), steps, position, workshop=workshop, form=asked)
    return make_pack(told, load_or_make_key(desk.data / KEY), with_customer=with_customer)
