"""A check of an indicator on the bench, with hands that set gauge blocks and a clock that the test moves."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest

from analysis.record import Store
from capture.api.app import create_app
from capture.check_course import WAIT_S
from capture.check_messages import CheckRequest, IndicatorCard
from capture.folder import DATABASE
from capture.messages import CheckProgress, RunRequest
from config.errors import InputError
from tests.capture.helpers import indicator
from tests.capture.test_bench import Station, at_work

DESCRIBED = indicator(rate_hz=50, serial_number="INVENTED-7", calibration_due="2025-12-31")
BASE = "http://127.0.0.1:4870"


@pytest.fixture
async def station(tmp_path: Path) -> AsyncIterator[Station]:
    async with at_work(tmp_path, DESCRIBED) as working:
        yield working


async def hold(station: Station, at_um: int, seconds: float = 1.6) -> None:
    """A still level that flickers by one step."""
    await station.send([at_um + (n % 3 == 0) for n in range(round(seconds * 50))])


async def travel(station: Station, from_um: int, to_um: int) -> None:
    """The plunger is lifted and comes down on the next block; every second of it moves."""
    lifted = max(from_um, to_um) + 700
    steps = [*range(from_um, lifted, 97), *range(lifted, to_um, -97)]
    await station.send(steps)


def told(station: Station) -> list[CheckProgress]:
    return [message for message in station.messages if isinstance(message, CheckProgress)]


async def ended(station: Station) -> CheckProgress:
    await station.until(lambda: told(station) and told(station)[-1].state in ("done", "interrupted"), 0.1)
    return told(station)[-1]


async def test_an_untouched_indicator(station: Station, tmp_path: Path) -> None:
    begun = await station.bench.checks.start(DESCRIBED, CheckRequest(rest_s=3))
    await hold(station, 500, 3.5)
    done = await ended(station)
    assert done.state == "done"
    assert done.result is not None
    assert done.result.passed
    assert done.result.pace.rate_hz == pytest.approx(50.0)
    assert done.result.at_rest.spread_mm == 0.001
    kept = station.bench.store.last_check("tested", "INVENTED-7")
    assert kept is not None
    assert (kept.run, kept.check) == (begun.run, done.result)
    assert station.bench.store.run(begun.run).summary.state == "done"


async def test_blocks_up_and_down_without_a_key(station: Station) -> None:
    """2 um too much at 2 mm; on the way down 1 um more everywhere."""
    request = CheckRequest(rest_s=2, blocks=("0 mm", "1 mm", "2 mm"))
    await station.bench.checks.start(DESCRIBED, request)
    await hold(station, 0, 2.2)
    for before, at in ((0, 1_000), (1_000, 2_002), (2_002, 1_001), (1_001, 1)):
        await travel(station, before, at)
        await hold(station, at)
    done = await ended(station)
    assert done.result is not None
    blocks = done.result.blocks
    assert blocks is not None
    assert [round(point.deviation_mm, 3) for point in blocks.points] == [0.0, 0.0, 0.002, 0.001, 0.001]
    assert [point.direction for point in blocks.points] == ["up", "up", "up", "down", "down"]
    assert blocks.hysteresis_mm == pytest.approx(0.001, abs=2e-4)
    assert blocks.worst_at_mm == 2.0
    assert blocks.verdict == "within"  # 2 um with U of about 0.9 um against 3 um
    says = list(dict.fromkeys(message.say for message in told(station)))
    assert says[0].startswith("Hands off: the indicator is watched for 2 s on the block of 0.000 mm")
    assert "Set the block of 1.000 mm under the plunger, then hands off." in says
    assert done.set_blocks == done.asked_blocks == 5


@pytest.mark.parametrize(("ends_um", "passed"), [((-6_350, 6_350), True), ((-6_350, 3_000), False)])
async def test_the_range_of_the_plunger(station: Station, ends_um: tuple[int, int], passed: bool) -> None:
    """12.7 mm are described."""
    await station.bench.checks.start(DESCRIBED, CheckRequest(rest_s=2, travel=True))
    await hold(station, 0, 2.2)
    assert "Push the plunger in to its end" in told(station)[-1].say
    low, high = ends_um
    await station.send([*range(0, high, 331), high, *range(high, low, -331), low, *range(low, 0, 331)])
    await hold(station, 0)
    done = await ended(station)
    assert done.result is not None
    assert done.result.travel_mm == pytest.approx((high - low) / 1000)
    assert done.result.passed is passed
    assert [reason.code for reason in done.result.reasons] == ([] if passed else ["short_travel"])


async def test_another_block_is_not_taken_for_the_right_one(station: Station) -> None:
    await station.bench.checks.start(DESCRIBED, CheckRequest(rest_s=2, blocks=("0 mm", "2 mm"), down=False))
    await hold(station, 0, 2.2)
    await travel(station, 0, 5_000)
    await hold(station, 5_000)
    assert told(station)[-1].say.endswith("What lies there now reads 5.000 mm.")
    assert told(station)[-1].set_blocks == 1
    await travel(station, 5_000, 1_999)
    await hold(station, 1_999)
    done = await ended(station)
    assert done.result is not None
    assert done.result.passed


async def test_nobody_there_ends_it_and_nothing_is_kept_as_a_check(station: Station) -> None:
    begun = await station.bench.checks.start(DESCRIBED, CheckRequest(rest_s=2, blocks=("0 mm", "2 mm")))
    await hold(station, 0, 2.2)
    for _ in range(round(WAIT_S / 10) + 1):
        await station.clock.run_for(9.0)
        await hold(station, 0, 1.0)
    done = await ended(station)
    assert (done.state, done.result) == ("interrupted", None)
    assert "It was not set within 180 s." in done.say
    assert station.bench.store.last_check("tested", "INVENTED-7") is None
    await station.until(lambda: not station.bench.active(), 0.1)
    assert station.bench.store.run(begun.run).summary.state == "done"  # its readings are


async def test_one_thing_at_a_time(station: Station) -> None:
    checks = station.bench.checks
    await checks.start(DESCRIBED, CheckRequest())
    with pytest.raises(InputError, match="is in run"):
        await checks.start(DESCRIBED, CheckRequest())
    with pytest.raises(InputError, match="is in run"):
        await station.bench.start_run(RunRequest(kind="rest"))
    stopping = asyncio.create_task(checks.stop("tested"))
    assert (await ended(station)).say == "The check was given up; its readings are kept."
    await stopping
    with pytest.raises(InputError, match="no check of 'tested' goes on"):
        await checks.stop("tested")


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"blocks": ("1",)}, "has no unit"),
        ({"blocks": ("1 mm",)}, "one block shows no deviation"),
        ({"blocks": ("1 mm", "1 mm")}, "named twice"),
        ({"blocks": ("-1 mm", "1 mm")}, "not shorter than nothing"),
        ({"blocks": ("0 mm", "1 mm"), "block_error": "0 um"}, "not above zero"),
    ],
)
async def test_what_cannot_be_asked(station: Station, asked: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        await station.bench.checks.start(DESCRIBED, CheckRequest.model_validate(asked))
    assert station.bench.active() == ()


async def test_readings_that_the_indicator_flags_are_counted_and_not_used(station: Station) -> None:
    await station.bench.checks.start(DESCRIBED, CheckRequest(rest_s=2))
    for n in range(130):
        status = "H" if n == 50 else " "
        station.links[-1].send(f"+   {0.5 + 0.001 * (n % 3):.3f}mm{status}\r\n".encode())
        await station.clock.run_for(0.02)
    done = await ended(station)
    assert done.result is not None
    assert (done.result.at_rest.flagged, done.result.passed) == (1, False)
    assert any("hold is on" in reason.text for reason in done.result.reasons)


async def test_over_the_door(station: Station) -> None:
    transport = httpx.ASGITransport(create_app(station.bench))
    async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
        assert (await client.get("/api/indicators/tested/check")).json() is None
        assert (await client.post("/api/indicators/tested/check", json={"rest_s": 2})).status_code == 201
        await hold(station, 500, 1.0)
        progress = (await client.get("/api/indicators/tested/check/progress")).json()
        assert progress["state"] == "resting"
        await hold(station, 500, 1.5)
        await ended(station)
        (card,) = (await client.get("/api/indicators")).json()
        shown = IndicatorCard.model_validate(card)
        assert (shown.state, shown.serial_number, shown.calibration_overdue) == ("live", "INVENTED-7", True)
        assert shown.last_reading is not None
        assert shown.last_reading.length_nm in (500_000, 501_000)
        assert shown.last_check is not None
        assert shown.last_check.check.passed
        kept = (await client.get("/api/indicators/tested/check")).json()
        assert kept["id"] == shown.last_check.id
        assert (await client.get("/api/indicators/tested/check/progress")).json() is None
        assert (await client.get("/api/indicators/nobody/check")).status_code == 400
        bad = await client.post("/api/indicators/tested/check", json={"blocks": ["1"]})
        assert (bad.status_code, "has no unit" in bad.text) == (400, True)
        assert (await client.post("/api/indicators/tested/check", json={})).status_code == 201
        stopping = asyncio.create_task(client.delete("/api/indicators/tested/check"))
        await station.until(stopping.done, 0.1)
        assert (await stopping).status_code == 204


async def test_leaving_in_mid_check_keeps_the_readings(tmp_path: Path) -> None:
    async with at_work(tmp_path, DESCRIBED) as station:
        begun = await station.bench.checks.start(DESCRIBED, CheckRequest(rest_s=100))
        await hold(station, 500, 1.0)
    with Store.open(tmp_path / DATABASE) as store:
        assert store.run(begun.run).summary.readings == 50
        assert store.last_check("tested", "INVENTED-7") is None
    await asyncio.sleep(0)
