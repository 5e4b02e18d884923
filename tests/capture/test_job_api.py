"""Jobs over the daemon's door: typed answers, photos, runs of steps, history, and what is refused."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from analysis.record.job_merge import import_job
from capture.api.app import create_app
from capture.api.studies import StudyView
from capture.job_models import History, JobLine, JobOpened, JobView, StepTaken
from capture.jobs import jobs_in
from tests.capture.test_api import BASE
from tests.capture.test_bench import Station, at_work

JPEG = b"\xff\xd8\xff\xe0 an invented picture"
# The worked sample of 49 CFR 565.15 (see tests/reference/test_vin_rules.py).
VIN = "1G4AH59H45G118341"
SHEET = {
    "technician": "A. Invented",
    "vin": VIN,
    "odometer": "120000 km",
    "wheels": [
        {
            "wheel": "FL",
            "new_part": 'P,1 "x"',
            "torque": "180 N m",
            "limits": {"runout": "0.05 mm"},
            "source": "invented workshop manual",
            "sizes": {"size": "74 mm", "bore": "N7", "studs": "5"},
        },
        {"wheel": "front right"},
    ],
}


class Desk:
    """A daemon's door with one open job."""

    def __init__(self, station: Station, client: httpx.AsyncClient) -> None:
        self.station, self.client, self.job = station, client, ""

    async def open(self) -> JobOpened:
        answer = await self.client.post("/jobs", json=SHEET)
        assert answer.status_code == 201, answer.text
        opened = JobOpened.model_validate_json(answer.text)
        self.job = opened.job.id
        return opened

    async def step(self, step: str, wheel: str = "FL", by: str = "A", **more: Any) -> StepTaken:
        asked = {"technician": by, "wheel": wheel, **more}
        answer = await self.client.post(f"/jobs/{self.job}/steps/{step}", json=asked)
        assert answer.status_code == 200, answer.text
        return StepTaken.model_validate_json(answer.text)

    async def refused(self, path: str, **asked: Any) -> str:
        who = {} if path.endswith("/run") else {"technician": "A"}
        answer = await self.client.post(f"/jobs/{self.job}{path}", json={**who, **asked})
        assert answer.status_code == 400, answer.text
        return str(answer.json()["error"])


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Desk]:
    async with at_work(tmp_path) as station:
        transport = httpx.ASGITransport(create_app(station.bench))
        async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
            yield Desk(station, client)


async def test_a_job_is_opened_and_listed(desk: Desk) -> None:
    opened = await desk.open()
    assert [end.wheel for end in opened.job.wheels] == ["front left", "front right"]
    assert opened.job.state == "open"
    first = opened.job.wheels[0]
    assert first.next[0].step == "vehicle_secured"
    assert first.parts["new_part"] == 'P,1 "x"'
    (line, _) = (
        JobLine.model_validate(each) for each in (await desk.client.get("/jobs", params={"vin": VIN})).json()
    )
    assert line.id == desk.job
    assert len((await desk.client.get("/jobs", params={"part": 'P,1 "x"'})).json()) == 1
    assert (await desk.client.get("/jobs", params={"technician": "nobody"})).json() == []


async def test_a_wrong_answer_is_kept_and_stays_wrong_until_it_is_put_right(desk: Desk) -> None:
    await desk.open()
    taken = await desk.step("vehicle_secured", answer="no")
    assert "stop" in str(taken.problem)
    assert taken.job.wheels[0].steps[0].state == "wrong"
    assert "cannot be skipped over what was found" in await desk.refused(
        "/steps/vehicle_secured/skip", wheel="FL", reason="in a hurry"
    )
    taken = await desk.step("vehicle_secured", by="B", answer="yes")
    assert taken.job.wheels[0].steps[0].state == "done"
    assert "A had recorded 'no'" in str(taken.notice)
    assert [entry.technician for entry in taken.job.wheels[0].entries] == ["A", "B"]


async def test_a_photo_is_kept_as_it_came_and_given_back(desk: Desk, tmp_path: Path) -> None:
    await desk.open()
    path = f"/jobs/{desk.job}/steps/photo_found/photos?technician=A&wheel=FL&name=hub.jpg"
    answer = await desk.client.post(path, content=JPEG)
    assert answer.status_code == 200, answer.text
    taken = StepTaken.model_validate_json(answer.text)
    (photo,) = taken.job.wheels[0].entries[-1].photos
    assert (photo.name, photo.media_type, photo.size) == ("hub.jpg", "image/jpeg", len(JPEG))
    given = await desk.client.get(f"/photos/{photo.sha256}", params={"job": desk.job})
    assert (given.content, given.headers["content-type"]) == (JPEG, "image/jpeg")
    (kept,) = desk.station.bench.store.path.parent.glob("photos/*")
    kept.write_bytes(b"something else")
    assert "was changed" in (await desk.client.get(f"/photos/{photo.sha256}?job={desk.job}")).text
    assert (await desk.client.post(path, content=b"no picture")).json()["error"]["what"] == "is no photo"
    assert "is not in this job" in (await desk.client.get(f"/photos/00?job={desk.job}")).text


async def test_the_run_of_a_step_carries_job_wheel_stage_and_limit(desk: Desk) -> None:
    await desk.open()
    assert "comes after 'nut_torqued'" in await desk.refused("/steps/play_found/run", wheel="FL")
    asked = {"wheel": "FL"}
    answer = await desk.client.post(f"/jobs/{desk.job}/steps/runout_found/run", json=asked)
    assert answer.status_code == 201, answer.text
    (run,) = desk.station.bench._runs.values()
    assert (run.request.job, run.request.wheel, run.request.stage) == (desk.job, "front left", "as found")
    assert run.limit is not None
    assert (run.limit.accept_nm, run.limit.source) == (50_000, "invented workshop manual")


async def test_customer_and_plate_come_in_by_the_door_and_are_not_logged(
    desk: Desk, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    named = {"customer": "Customer Somebody", "plate": "PLATE-77"}
    answer = await desk.client.post("/jobs", json={**SHEET, **named})
    told = JobOpened.model_validate_json(answer.text).job
    assert (told.customer, told.plate) == ("Customer Somebody", "PLATE-77")
    refused = await desk.client.post("/jobs", json={**SHEET, **named})  # still open
    assert refused.status_code != 201
    too_long = await desk.client.post("/jobs", json={**SHEET, **named, "plate": "PLATE-77" * 30})
    assert too_long.status_code != 201
    assert "Customer Somebody" not in refused.text + caplog.text
    assert "PLATE-77" not in refused.text + caplog.text


async def test_release_is_refused_while_a_step_is_open_and_a_stopped_job_says_why(desk: Desk) -> None:
    await desk.open()
    assert "step 'vehicle_secured' is open" in await desk.refused("/release")
    assert "without a reason" in await desk.refused("/stop", reason=" ")
    stop = {"technician": "A", "reason": "the customer took it away"}
    answer = await desk.client.post(f"/jobs/{desk.job}/stop", json=stop)
    told = JobView.model_validate_json(answer.text)
    assert told.state == "stopped"
    assert told.wheels[0].entries[-1].answer == stop["reason"]
    assert "is stopped" in await desk.refused("/steps/turning", wheel="FL", answer="smooth")
    await desk.open()  # the vehicle may come again


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"vin": VIN[:-1]}, "16 characters"),
        ({"odometer": "far"}, "not a distance"),
        ({"technician": " "}, "needs a technician"),
        ({"wheels": [{"wheel": "XX"}]}, "wheel position"),
        ({"wheels": [{"wheel": "FL", "torque": "180"}]}, "no unit"),
        ({"wheels": [{"wheel": "FL", "sizes": {"bore": "N7"}}]}, "need the bearing's size"),
        ({"wheels": [{"wheel": "FL", "sizes": {"colour": "red"}}]}, "unknown size"),
        ({"wheels": [{"wheel": "FL", "limits": {"runout": "0.05"}, "source": "x"}]}, "no unit"),
    ],
)
async def test_bad_sheets_open_nothing(desk: Desk, change: dict[str, Any], says: str) -> None:
    answer = await desk.client.post("/jobs", json={**SHEET, **change})
    assert answer.status_code == 400
    assert says in answer.text
    assert (await desk.client.get("/jobs")).json() == []


async def test_history_and_path(desk: Desk) -> None:
    await desk.open()
    told = History.model_validate((await desk.client.get("/history", params={"within": "100 mi"})).json())
    assert [line.part for line in told.parts] == ['P,1 "x"']
    assert told.within_km == pytest.approx(160.93, abs=0.01)
    steps = (await desk.client.get("/path")).json()
    assert {"step", "stage", "do", "caution", "records", "answers"} <= set(steps[0])
    own = Path(desk.station.bench.store.path.parent) / "path.toml"
    own.write_text('[[step]]\nid = "wash"\nstage = "s"\ndo = "Wash."\nrecords = "yes/no"\n', encoding="utf-8")
    assert [step["step"] for step in (await desk.client.get("/path")).json()] == ["wash"]


async def test_a_study_is_walked_through_over_the_door(desk: Desk) -> None:
    """One technician, two equal ranges of 0.002 mm: the repeatability is that over d2 = 1.12838."""
    plan = {
        "indicator": "tested",
        "quantity": "height",
        "technicians": ["A"],
        "parts": ["1", "2"],
        "trials": 2,
    }
    answer = await desk.client.post("/studies", json=plan)
    assert answer.status_code == 201, answer.text
    study = StudyView.model_validate_json(answer.text)
    values = {("1", 1): "1.000 mm", ("1", 2): "1.002 mm", ("2", 1): "2.000 mm", ("2", 2): "2.002 mm"}
    while study.next is not None:
        typed = {"value": values[study.next.part, study.next.trial]}
        answer = await desk.client.post(f"/studies/{study.study}/trials", json=typed)
        study = StudyView.model_validate_json(answer.text)
    study = StudyView.model_validate_json((await desk.client.post(f"/studies/{study.study}/finish")).text)
    assert study.results[0]["repeatability_mm"] == pytest.approx(0.002 / 1.12838)
    assert len((await desk.client.get("/studies")).json()) == 1
    again = await desk.client.post(f"/studies/{study.study}/finish")
    assert (again.status_code, again.json()["error"]["what"].endswith("is finished")) == (400, True)


async def test_a_bore_is_asked_for_with_what_the_steps_before_recorded(desk: Desk) -> None:
    await desk.open()
    for step, answer in (
        ("replace", "yes"),
        ("bore_clean", "yes"),
        ("setting_ring", "74.002 mm +- 0.001 mm"),
        ("ring_temperature", "22 °C"),
    ):
        await desk.step(step, answer=answer)
    assert "one of two is missing" in await desk.refused("/steps/bore/run", wheel="FL")
    await desk.step("knuckle_temperature", answer="75.2 °F")
    answer = await desk.client.post(f"/jobs/{desk.job}/steps/bore/run", json={"wheel": "FL"})
    assert answer.status_code == 201, answer.text
    assert answer.json()["asked"] == 8  # four directions at two depths, as the path says
    (run,) = desk.station.bench._runs.values()
    asked = run.request.bore
    assert asked is not None
    assert (asked.setting_ring, asked.size, asked.bore) == ("74.002 mm +- 0.001 mm", "74 mm", "N7")
    assert (asked.ring_temperature, asked.knuckle_temperature) == (22.0, pytest.approx(24.0))
    settings = desk.station.bench.store.run(run.ref.id).settings
    assert settings["applied_bore"]["ring_mm"] == 74.002
    assert settings["applied_bore"]["ring_standard_um"] == pytest.approx(0.5)  # the half width is k = 2


async def test_end_play_with_a_loose_nut_is_refused_and_an_unknown_one_warned_of(desk: Desk) -> None:
    answer = await desk.client.post("/runs", json={"kind": "endplay", "nut_torqued": False})
    assert (answer.status_code, "would mean nothing" in answer.text) == (400, True)
    answer = await desk.client.post("/runs", json={"kind": "endplay"})
    assert "Is the hub nut at its torque?" in answer.json()["warnings"][0]


async def test_a_job_is_exported_over_the_door(desk: Desk, tmp_path: Path) -> None:
    await desk.open()
    await desk.step("turning", answer="rough")
    answer = await desk.client.get(f"/jobs/{desk.job}/export")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/zip")
    (tmp_path / "carried").write_bytes(answer.content)
    with jobs_in(tmp_path / "other") as jobs:
        assert import_job(jobs, tmp_path / "carried").entries == 1
        assert jobs.find(desk.job).wheels[0].answers == {"turning": "rough"}
