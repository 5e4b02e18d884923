"""Kept or thrown away over the door: stored, and told to whoever listens."""

from __future__ import annotations

from pathlib import Path

import httpx

from capture.api.app import create_app
from capture.messages import RunRequest, RunSaid
from tests.capture.test_bench import at_work

BASE = "http://127.0.0.1:4870"


async def test_what_was_said_of_a_run_is_stored_and_told_to_all(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        transport = httpx.ASGITransport(create_app(station.bench))
        async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
            run = (await station.bench.start_run(RunRequest(kind="trace"))).run
            await station.send([1, 2])
            too_early = await client.post(f"/runs/{run}/keeping", json={"word": "kept"})
            assert (too_early.status_code, "still goes on" in too_early.text) == (400, True)
            await station.bench.end_runs()
            await station.bench._recorder.then(lambda _: None)  # type: ignore[union-attr]
            refused = await client.post(f"/runs/{run}/keeping", json={"word": "thrown away"})
            assert (refused.status_code, "without a reason" in refused.text) == (400, True)
            heard = station.bench.fanout.subscribe()
            told = {"word": "thrown away", "reason": "the holder slipped"}
            assert (await client.post(f"/runs/{run}/keeping", json=told)).status_code == 204
            assert [each async for each in _until_said(heard)] == [RunSaid(run=run, **told)]
            assert (await client.get("/runs")).json()[0]["kept"] == "thrown away"
            assert (await client.get(f"/runs/{run}")).json()["said"][0]["reason"] == "the holder slipped"


async def _until_said(heard):
    async for message in heard.messages():
        if isinstance(message, RunSaid):
            yield message
            return
