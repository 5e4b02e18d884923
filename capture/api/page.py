"""Serves the page for the bench: a few fixed files, and the turns of a run laid over one another."""

from __future__ import annotations

import asyncio
import gzip
import json
import re
from functools import partial
from importlib.resources import files
from typing import Annotated

import numpy as np
from fastapi import FastAPI, Path, Request
from fastapi.responses import Response
from pydantic import TypeAdapter

from analysis.claim.phrases import phrases_of
from analysis.record.queries import RunRecord
from analysis.trace import FloatArray
from analysis.values import Setup
from capture.bench import Bench
from capture.messages import Message
from config.errors import InputError

_SETUP = TypeAdapter(Setup)
POLICY = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
PLAIN_HOST = re.compile(r"[a-z0-9.-]{1,100}(:\d{1,5})?", re.IGNORECASE)
HEADERS = {
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
    "png": "image/png",
}
FOLDERS = ("", "words")
BOOK = "words/book.de.json"
LAID_KEPT = 8
FULL_TURN_DEG = 360.0


class LaidTurns(Message):
    """Each whole turn of a run-out on one grid of angles from its beginning; nothing where none was seen.

    `angle_deg` has one value per angle, `turns_um` one row per turn, `repeatable_um` what they share.
    """

    angle_deg: tuple[float, ...] = ()
    turns_um: tuple[tuple[float, ...], ...] = ()
    repeatable_um: tuple[float, ...] = ()


def page_files() -> dict[str, bytes]:
    """Every file of the page by its name below ``/page/``: a closed list, so that no path leads out.

    `BOOK` is the phrase book of the claim pack, without the sources of uncertainty, which the page does not
    show, and the path, which it has in a file of its own.
    """
    root = files("capture") / "page"
    found: dict[str, bytes] = {}
    for folder in FOLDERS:
        for each in (root / folder if folder else root).iterdir():
            if each.is_file() and each.name.rpartition(".")[2] in KINDS:
                found[f"{folder}/{each.name}" if folder else each.name] = lean(each.name, each.read_bytes())
    found[BOOK] = lean(BOOK, json.dumps(phrases_of("de", "phrases")).encode())
    return found


def policy_at(host: str) -> str:
    """The policy of the page at `host`, a Host header that was let in.

    Not every browser takes 'self' to mean the WebSocket of the same host (w3c/webappsec-csp, issue 7).
    """
    return f"{POLICY}; connect-src 'self' ws://{host}" if PLAIN_HOST.fullmatch(host) else POLICY


def lean(name: str, body: bytes) -> bytes:
    """A file without what only its writers need: indentation and comments, the spaces of JSON."""
    if name.endswith((".json", ".webmanifest")):
        return json.dumps(json.loads(body), ensure_ascii=False, separators=(",", ":")).encode()
    if not name.endswith((".js", ".css", ".html")):
        return body
    text = re.sub(r"<!--.*?-->|/\*.*?\*/", "", body.decode(), flags=re.DOTALL)
    lines = (line.strip() for line in text.splitlines())
    return "\n".join(line for line in lines if line and not line.startswith("//")).encode()


def add_page(app: FastAPI, bench: Bench) -> None:
    """Add the page at ``/``, its files below ``/page/``, and what it draws of a run."""
    served = page_files()
    laid: dict[str, asyncio.Task[LaidTurns]] = {}

    packed = {name: gzip.compress(body, mtime=0) for name, body in served.items() if name[-4:] != ".png"}

    def answer(name: str, request: Request) -> Response:
        headers = {**HEADERS, "Content-Security-Policy": policy_at(request.headers.get("host", ""))}
        if name not in served:
            return Response(status_code=404, headers=headers)
        kind = KINDS[name.rpartition(".")[2]]
        if name in packed and "gzip" in request.headers.get("accept-encoding", ""):
            headers |= {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"}
            return Response(packed[name], media_type=kind, headers=headers)
        return Response(served[name], media_type=kind, headers=headers)

    @app.get("/", include_in_schema=False)
    async def page(request: Request) -> Response:
        return answer("index.html", request)

    @app.get("/page/{name:path}", include_in_schema=False)
    async def file(request: Request, name: Annotated[str, Path(max_length=100)]) -> Response:
        return answer(name, request)

    @app.get("/runs/{run}/turns")
    async def turns(run: str) -> LaidTurns:
        record = await asyncio.to_thread(bench.store.run, run)
        key = record.summary.id
        if key not in laid:  # several pages ask at once, and the working out takes its time
            while len(laid) >= LAID_KEPT:
                del laid[next(iter(laid))]
            laid[key] = asyncio.create_task(asyncio.to_thread(laid_turns, bench, record))
            laid[key].add_done_callback(partial(_forget_failed, laid, key))
        return await asyncio.shield(laid[key])


def _forget_failed(laid: dict[str, asyncio.Task[LaidTurns]], key: str, done: asyncio.Task[LaidTurns]) -> None:
    """What failed, for whatever reason, is worked out anew when it is asked for again."""
    if laid.get(key) is done and (done.cancelled() or done.exception() is not None):
        del laid[key]


def laid_turns(bench: Bench, record: RunRecord) -> LaidTurns:
    """The turns of a run that has ended: as they were stored, else worked out from its readings.

    Raises:
        InputError: it is no run-out, or still goes on.
    """
    if record.summary.kind != "runout" or record.summary.id in {each.run for each in bench.active()}:
        raise InputError(
            "has no turns", where=f"run {record.summary.id}", expected="a run-out that has ended"
        )
    stored = bench.store.profiles_um(record.summary.id)
    turns_um = stored if stored.size else _worked_out(bench, record)
    if turns_um is None or not np.all(np.isfinite(turns_um)):
        return LaidTurns()
    return LaidTurns(
        angle_deg=tuple((FULL_TURN_DEG / turns_um.shape[1] * np.arange(turns_um.shape[1])).tolist()),
        turns_um=tuple(tuple(turn) for turn in turns_um.round(3).tolist()),
        repeatable_um=tuple(turns_um.mean(axis=0).round(3).tolist()),
    )


def _worked_out(bench: Bench, record: RunRecord) -> FloatArray | None:
    from analysis.measure import work_out_runout

    setup = _SETUP.validate_python(record.settings.get("applied_setup", {}))
    worked = work_out_runout(bench.store.trace(record.summary.id), setup=setup)
    profiles = worked.runout.profiles if worked.runout else None
    return None if profiles is None else profiles.turns_um
