"""The turns that the round plot draws, against the closed form from which the readings were made."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path

import httpx
import numpy as np
import pytest

import capture.api.page
from capture.api.app import create_app
from capture.bench import Bench
from config.indicators import indicator_named, load_indicators

SWING_UM = 80.0
HIGH_DEG = 30.0
TURN_S = 5.0
TURNS = 3.3
RATE_HZ = 50.0
FIRST_MARK_S = 1.0


def begin(bench: Bench, kind: str):
    indicator = indicator_named("bench", load_indicators())
    return bench.store.begin_run(
        kind,
        indicator.model_dump(mode="json"),
        settings={"kind": kind},
        started_t_ns=0,
        started_utc=datetime(2026, 1, 1, tzinfo=UTC),
    )


def turned_evenly(bench: Bench) -> str:
    """A hub with once-per-turn run-out, highest 30 degrees after the index mark, turned without a stop."""
    ref = begin(bench, "runout")
    rows = []
    for i in range(round(TURNS * TURN_S * RATE_HZ)):
        t_s = i / RATE_HZ
        angle_deg = 360.0 * (t_s - FIRST_MARK_S) / TURN_S
        um = SWING_UM / 2 * math.cos(math.radians(angle_deg - HIGH_DEG))
        rows.append((i, round(t_s * 1e9), round(um) * 1000, None, None))
    bench.store.append_readings(ref.key, rows)
    for turn in range(4):
        t_s = FIRST_MARK_S + turn * TURN_S
        if t_s < TURNS * TURN_S:
            bench.store.add_mark(ref.key, round(t_s * 1e9))
    bench.store.end_run(ref.key, "done", round(TURNS * TURN_S * 1e9))
    return ref.id


@pytest.fixture
async def bench(tmp_path: Path):
    async with Bench(tmp_path, (), ()) as bench:
        yield bench


@pytest.fixture
async def client(bench):
    transport = httpx.ASGITransport(app=create_app(bench))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:4870") as client:
        yield client


async def test_turns_are_laid_out_from_the_index_mark(client, bench):
    run = turned_evenly(bench)
    laid = (await client.get(f"/runs/{run}/turns")).json()
    angle = np.array(laid["angle_deg"])
    turns, shared = np.array(laid["turns_um"]), np.array(laid["repeatable_um"])
    assert turns.shape[1] == angle.size == shared.size
    assert turns.shape[0] >= 2
    truth = SWING_UM / 2 * np.cos(np.radians(angle - HIGH_DEG))
    # Within 4 degrees: a speed that repeats every turn can hardly be told from the flange's shape.
    assert np.abs(shared - truth).max() < SWING_UM / 2 * math.radians(4) + 1
    again = await client.get(f"/runs/{run}/turns")
    assert again.json() == laid


async def test_other_kinds_have_no_turns(client, bench):
    ref = begin(bench, "endplay")
    bench.store.end_run(ref.key, "done", 1)
    answer = await client.get(f"/runs/{ref.id}/turns")
    assert answer.status_code == 400
    assert answer.json()["error"]["expected"] == "a run-out that has ended"


async def test_an_unknown_run_is_told(client):
    answer = await client.get("/runs/nothing/turns")
    assert answer.status_code == 400


async def test_what_failed_once_is_worked_out_anew(client, bench, monkeypatch):
    run = turned_evenly(bench)
    laid_turns = capture.api.page.laid_turns

    def fails(*_: object) -> None:
        raise ValueError("a fit that did not come to an end")

    monkeypatch.setattr(capture.api.page, "laid_turns", fails)
    with pytest.raises(ValueError, match="did not come to an end"):
        await client.get(f"/runs/{run}/turns")
    monkeypatch.setattr(capture.api.page, "laid_turns", laid_turns)
    assert (await client.get(f"/runs/{run}/turns")).json()["turns_um"]
