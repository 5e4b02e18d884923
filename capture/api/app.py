"""The web application over a bench."""

from __future__ import annotations

import asyncio
import io
from collections.abc import Coroutine
from contextlib import suppress
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request, WebSocket, WebSocketDisconnect
from fastapi.responses import JSONResponse, PlainTextResponse, Response

from analysis.record import RunKind, RunRecord, RunSummary, Wheel
from capture.api.claim import add_claim
from capture.api.door import POLICY_VIOLATION, Door, is_here, token_of
from capture.api.history import add_history
from capture.api.indicators import add_indicators
from capture.api.jobs import add_jobs
from capture.api.keeping import add_keeping
from capture.api.metrics import add_metrics
from capture.api.page import add_page
from capture.api.pairing import add_pairing
from capture.api.refusals import REFUSALS
from capture.api.set_up import add_set_up
from capture.api.studies import add_studies
from capture.bench import Bench, own_version
from capture.fanout import Subscription
from capture.messages import Beat, Health, IndicatorState, RunProgress, RunRequest
from capture.pairing import Pairing
from config.errors import HubproofError, InputError, StoreError

BEAT_S = 0.3
CSV = "text/csv"
OF_RECORD = tuple(RunRecord.__dataclass_fields__)
REVOKED_LOOK_S = 1.0
MOST_SAID = 1_000
"""Messages of a listener: thirty thousand a second of them held everything else up by a third of a second."""


@dataclass(frozen=True, slots=True)
class RunView(RunRecord):
    """A run of the record, and how it stands while it goes on."""

    progress: RunProgress | None = None


def create_app(bench: Bench, pairing: Pairing | None = None) -> FastAPI:
    """The door of `bench`, which is entered and left by the caller.

    Args:
        bench: at work.
        pairing: the devices that may come in from the network; None when the door is shut to it.
    """
    app = FastAPI(title="Hubproof", version=own_version(), docs_url=None, redoc_url=None, responses=REFUSALS)
    app.add_middleware(Door, pairing=pairing)
    app.add_exception_handler(HubproofError, _told)
    app.add_exception_handler(UnicodeDecodeError, _not_utf8)
    _add_state(app, bench)
    _add_runs(app, bench)
    add_metrics(app, bench)
    add_page(app, bench)
    add_keeping(app, bench)
    add_indicators(app, bench)
    add_jobs(app, bench)
    add_history(app, bench)
    add_studies(app, bench)
    add_set_up(app, bench)
    add_claim(app, bench)
    add_pairing(app, pairing)

    @app.websocket("/live")
    async def live(socket: WebSocket, beat: bool = False) -> None:
        await socket.accept()
        welcome = None
        if pairing is not None and not is_here(socket.scope, socket.headers):
            welcome = _until_revoked(socket, bench, pairing)
        await _stream(socket, bench, beat, welcome)

    return app


def _add_state(app: FastAPI, bench: Bench) -> None:
    @app.get("/health")
    async def health() -> Health:
        return bench.health()

    @app.get("/indicators")
    async def indicators() -> tuple[IndicatorState, ...]:
        return bench.indicators()


def _add_runs(app: FastAPI, bench: Bench) -> None:
    @app.post("/runs", status_code=201)
    async def start(request: RunRequest) -> RunProgress:
        return await bench.start_run(request)

    @app.get("/runs")
    async def runs(
        kind: RunKind | None = None,
        job: str | None = None,
        wheel: Wheel | None = None,
        last: Annotated[int, Query(ge=1, le=1_000)] = 100,
    ) -> tuple[RunSummary, ...]:
        return await asyncio.to_thread(bench.store.runs, kind=kind, job=job, wheel=wheel, last=last)

    @app.get("/runs/{run}")
    async def one(run: str) -> RunView:
        active = bench.active()  # before the record is read: who hears of no progress finds the result
        record = await asyncio.to_thread(bench.store.run, run)
        progress = next((each for each in active if each.run == record.summary.id), None)
        return RunView(**{name: getattr(record, name) for name in OF_RECORD}, progress=progress)

    @app.post("/runs/{run}/mark", status_code=204)
    async def mark(run: str) -> Response:
        bench.mark(run)
        return Response(status_code=204)

    @app.post("/runs/{run}/stop", status_code=204)
    async def stop(run: str) -> Response:
        await bench.stop_run(run)
        return Response(status_code=204)

    @app.get(
        "/runs/{run}/trace.csv", response_class=PlainTextResponse, responses={200: {"content": {CSV: {}}}}
    )
    async def trace(run: str) -> Response:
        return PlainTextResponse(await asyncio.to_thread(_csv, bench, run), media_type=CSV)


def _csv(bench: Bench, run: str) -> str:
    from analysis.trace_file import write_trace

    text = io.StringIO(newline="")
    write_trace(bench.store.trace(run), text)
    return text.getvalue()


async def _not_utf8(request: Request, _: Exception) -> JSONResponse:
    """A body that says it is JSON and is no text: the framework lets that error out."""
    return await _told(request, InputError("the body is no text", expected="JSON in UTF-8"))


async def _told(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HubproofError)
    kind = type(error).__name__
    status = {InputError: 400, StoreError: 503}.get(type(error), 500)
    told = {"what": error.what, "where": error.where, "expected": error.expected, "do": error.do}
    return JSONResponse({"error": {"kind": kind, **told}}, status_code=status)


async def _stream(
    socket: WebSocket, bench: Bench, beat: bool, welcome: Coroutine[Any, Any, None] | None = None
) -> None:
    """Send messages until the listener goes, the station ends, or `welcome` (how long it may listen) does."""
    subscription = bench.fanout.subscribe()
    sending = asyncio.create_task(_send_all(socket, bench, subscription))
    leaving = asyncio.create_task(_until_gone(socket))
    tasks = {sending, leaving}
    if beat:
        tasks.add(asyncio.create_task(_beat(socket, bench)))
    if welcome is not None:
        tasks.add(asyncio.create_task(welcome))
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        bench.fanout.unsubscribe(subscription)
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
    if sending.cancelled():
        return
    if (error := sending.exception()) is not None and not isinstance(error, WebSocketDisconnect):
        raise error
    if error is None:
        with suppress(RuntimeError, WebSocketDisconnect):  # it may have gone a moment ago
            await socket.close()


async def _send_all(socket: WebSocket, bench: Bench, subscription: Subscription) -> None:
    """How everything stands now, then what goes on; a frame holds a line of JSON for each message."""
    states = (*bench.indicators(), *bench.active())
    if states:
        await socket.send_text("\n".join(state.model_dump_json() for state in states))
    async for frame in subscription.frames():
        await socket.send_text(frame)


async def _beat(socket: WebSocket, bench: Bench) -> None:
    """Tell again and again that the station is there: silence then means that it is not."""
    with suppress(RuntimeError, WebSocketDisconnect):  # it has gone: the other tasks see to the end
        while True:
            await socket.send_text(Beat().model_dump_json())
            await bench.clock.sleep(BEAT_S)


async def _until_revoked(socket: WebSocket, bench: Bench, pairing: Pairing) -> None:
    token = token_of(socket.headers)
    while pairing.device_of(token) is not None:
        await bench.clock.sleep(REVOKED_LOOK_S)
    with suppress(RuntimeError, WebSocketDisconnect):  # it may have gone a moment ago
        await socket.close(POLICY_VIOLATION)


async def _until_gone(socket: WebSocket) -> None:
    """Nothing that a listener says is of interest; one that does not stop talking is sent away."""
    for _ in range(MOST_SAID):
        if (await socket.receive())["type"] == "websocket.disconnect":
            return
