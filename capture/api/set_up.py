"""The points to look at before a run, over the door."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query

from capture.bench import Bench
from capture.messages import MeasuredKind, RunRequest
from capture.set_up import SetUp


def add_set_up(app: FastAPI, bench: Bench) -> None:
    """Add the route."""

    @app.get("/set-up")
    async def set_up(
        kind: MeasuredKind = "runout",
        indicator: Annotated[str | None, Query(max_length=60)] = None,
        limit: Annotated[str | None, Query(max_length=60)] = None,
    ) -> SetUp:
        return bench.set_up(RunRequest(kind=kind, indicator=indicator, limit=limit))
