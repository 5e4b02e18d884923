"""Serves the page for the bench: a few fixed files, and the turns of a run laid over one another."""

from __future__ import annotations

import asyncio
from importlib.resources import files
from typing import Annotated

from fastapi import FastAPI, Path
from fastapi.responses import Response
from pydantic import TypeAdapter

from analysis.record.queries import RunRecord
from analysis.values import Setup
from capture.bench import Bench
from capture.messages import Message
from config.errors import HubproofError, InputError

_SETUP = TypeAdapter(Setup)
POLICY = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-cache",  # after an upgrade of the daemon the page is the new one
}
KINDS = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "json": "application/json",
    "webmanifest": "application/manifest+json",
    "svg": "image/svg+xml",
}
FOLDERS = ("", "words")
LAID_KEPT = 8


class LaidTurns(Message):
    """Each whole turn of a run-out on one grid of angles from its beginning; nothing where none was seen.

    `angle_deg` has one value per angle, `turns_um` one row per turn, `repeatable_um` what they share.
    """

    angle_deg: tuple[float, ...] = ()
    turns_um: tuple[tuple[float, ...], ...] = ()
    repeatable_um: tuple[float, ...] = ()


def page_files() -> dict[str, bytes]:
    """Every file of the page by its name below ``/page/``: a closed list, so that no path leads out."""
    root = files("capture") / "page"
    found: dict[str, bytes] = {}
    for folder in FOLDERS:
        for each in (root / folder if folder else root).iterdir():
            if each.is_file() and each.name.rpartition(".")[2] in KINDS:
                found[f"{folder}/{each.name}" if folder else each.name] = each.read_bytes()
    return found


def add_page(app: FastAPI, bench: Bench) -> None:
    """Add the page at ``/``, its files below ``/page/``, and what it draws of a run."""
    served = page_files()
    laid: dict[str, asyncio.Task[LaidTurns]] = {}

    def answer(name: str) -> Response:
        body = served.get(name)
        if body is None:
            return Response(status_code=404, headers=HEADERS)
        return Response(body, media_type=KINDS[name.rpartition(".")[2]], headers=HEADERS)

    @app.get("/", include_in_schema=False)
    async def page() -> Response:
        return answer("index.html")

    @app.get("/page/{name:path}", include_in_schema=False)
    async def file(name: Annotated[str, Path(max_length=100)]) -> Response:
        return answer(name)

    @app.get("/runs/{run}/turns")
    async def turns(run: str) -> LaidTurns:
        record = await asyncio.to_thread(bench.store.run, run)
        key = record.summary.id
        if key not in laid:  # several pages ask at once, and the working out takes its time
            while len(laid) >= LAID_KEPT:
                del laid[next(iter(laid))]
            laid[key] = asyncio.create_task(asyncio.to_thread(laid_turns, bench, record))
        try:
            return await asyncio.shield(laid[key])
        except HubproofError:
            laid.pop(key, None)
            raise


def laid_turns(bench: Bench, record: RunRecord) -> LaidTurns:
    """The turns of a run that has ended, worked out from its stored readings.

    Raises:
        InputError: it is no run-out, or still goes on.
    """
    from analysis.measure import work_out_runout

    if record.summary.kind != "runout" or record.summary.id in {each.run for each in bench.active()}:
        raise InputError(
            "has no turns", where=f"run {record.summary.id}", expected="a run-out that has ended"
        )
    setup = _SETUP.validate_python(record.settings.get("applied_setup", {}))
    worked = work_out_runout(bench.store.trace(record.summary.id), setup=setup)
    profiles = worked.runout.profiles if worked.runout else None
    if profiles is None:
        return LaidTurns()
    return LaidTurns(
        angle_deg=tuple(profiles.angle_deg.tolist()),
        turns_um=tuple(tuple(turn) for turn in profiles.turns_um.round(3).tolist()),
        repeatable_um=tuple(profiles.repeatable_um.round(3).tolist()),
    )
