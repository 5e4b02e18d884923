"""What many jobs say together, over the daemon's door."""

from __future__ import annotations

from fastapi import FastAPI

from analysis.record.jobs import Jobs
from capture.api.jobs import Desk
from capture.bench import Bench
from capture.job_models import Comeback, DueLine, History, Name, PartLine
from capture.jobs import calibrations_due, parse_odometer_km
from config.path import Step


def add_history(app: FastAPI, bench: Bench) -> None:
    """Add the route ``/history``; lists by vehicle, wheel, technician, part and lot are at ``/jobs``."""
    desk = Desk(bench)

    @app.get("/history")
    async def history(within: Name = "20000 km") -> History:
        """Share of over per part and lot, comebacks `within` a distance, instruments due for calibration."""
        within_km = parse_odometer_km(within, where="within")

        def work(jobs: Jobs, _: tuple[Step, ...]) -> History:
            due = calibrations_due(bench.described(), clock=bench.clock)
            return History(
                within_km=within_km,
                parts=tuple(PartLine.model_validate(row) for row in jobs.by_part()),
                comebacks=tuple(Comeback.model_validate(row) for row in jobs.comebacks(within_km)),
                calibrations_due=tuple(DueLine.model_validate(row) for row in due),
            )

        return await desk.ask(work)
