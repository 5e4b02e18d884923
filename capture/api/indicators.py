"""Indicators over the door: how each is described and stands, and checks of them."""

from __future__ import annotations

from fastapi import FastAPI
from fastapi.responses import Response

from capture.bench import Bench
from capture.check_messages import CheckRequest, IndicatorCard, LastCheck
from capture.messages import CheckProgress


def add_indicators(app: FastAPI, bench: Bench) -> None:
    """Add the routes."""

    @app.get("/api/indicators")
    async def cards() -> tuple[IndicatorCard, ...]:
        return await bench.checks.cards()

    @app.get("/api/indicators/{name}/check")
    async def last(name: str) -> LastCheck | None:
        return (await bench.checks.cards(name))[0].last_check

    @app.get("/api/indicators/{name}/check/progress")
    async def progress(name: str) -> CheckProgress | None:
        return bench.checks.progress(bench.checks.described(name).name)

    @app.post("/api/indicators/{name}/check", status_code=201)
    async def start(name: str, request: CheckRequest) -> CheckProgress:
        return await bench.checks.start(bench.checks.described(name), request)

    @app.delete("/api/indicators/{name}/check", status_code=204)
    async def stop(name: str) -> Response:
        await bench.checks.stop(bench.checks.described(name).name)
        return Response(status_code=204)
