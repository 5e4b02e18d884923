"""The points of a set-up: each is good, not good or not known for its own reason."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import httpx
import pytest

from capture.api.app import create_app
from capture.messages import IndicatorState
from capture.set_up import set_up
from config.limits import parse_limit
from tests.capture.helpers import indicator
from tests.capture.test_bench import at_work

TODAY = date(2026, 6, 1)
LIMIT = parse_limit("0.05 mm", "runout")
LIVE = IndicatorState(indicator="tested", state="live", resolution_nm=1000)
ROOM = {"plunger_out": "-1 mm"}  # of a range of 12.7 mm


def points(**more):
    described = indicator(**more.pop("described", {}))
    told = set_up(described, more.pop("state", LIVE), more.pop("limit", LIMIT), TODAY, **more)
    return {check.point: check for check in told.checks}


@pytest.mark.parametrize(
    ("point", "good", "given"),
    [
        ("link", True, {}),
        ("link", False, {"state": LIVE.model_copy(update={"state": "lost", "why": "unplugged"})}),
        ("calibration", None, {}),
        ("calibration", True, {"described": {"calibration_due": "2026-06-01"}}),
        ("calibration", False, {"described": {"calibration_due": "2026-05-31"}}),
        ("step", True, {}),
        ("step", False, {"limit": parse_limit("0.009 mm", "runout")}),
        ("step", None, {"limit": None}),
        ("plunger", None, {}),
        ("plunger", True, {"described": ROOM, "lengths_nm": (5_000_000,)}),
        ("plunger", False, {"described": ROOM, "lengths_nm": (-900_000,)}),
        ("holder", None, {}),
        ("holder", False, {"holder_moved": True}),
        ("holder", True, {"holder_moved": False}),
    ],
)
def test_each_point_is_told_for_its_own_reason(point, good, given):
    assert points(**given)[point].good is good


async def test_over_the_door_with_the_stations_own_limit_or_a_typed_one(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        await station.send([1])
        transport = httpx.ASGITransport(create_app(station.bench))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:4870") as client:
            typed = (await client.get("/set-up", params={"kind": "runout", "limit": "0.05 mm"})).json()
            assert (typed["indicator"], typed["limit_mm"]) == ("tested", 0.05)
            assert typed["checks"][0] == {"point": "link", "good": True, "text": "Readings arrive."}
            assert (await client.get("/set-up", params={"limit": "0.05"})).status_code == 400
