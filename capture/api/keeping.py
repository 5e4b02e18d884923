"""Kept, or thrown away and why: what the technician says of a run, told to every page at once."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import FastAPI
from fastapi.responses import Response
from pydantic import Field

from analysis.record.keeping import LONGEST_REASON, Word
from capture.bench import Bench
from capture.messages import Message, RunSaid


class KeepRequest(Message):
    """`word` about a run that has ended; `reason` is needed when it is thrown away."""

    word: Word
    reason: Annotated[str, Field(max_length=LONGEST_REASON)] = ""


def add_keeping(app: FastAPI, bench: Bench) -> None:
    """Add the route."""

    @app.post("/runs/{run}/keeping", status_code=204)
    async def keep(run: str, request: KeepRequest) -> Response:
        ref = await asyncio.to_thread(bench.store.run, run)
        await asyncio.to_thread(bench.store.keep, ref.summary.id, request.word, request.reason)
        bench.fanout.publish(RunSaid(run=ref.summary.id, word=request.word, reason=request.reason))
        return Response(status_code=204)
