"""What the record holds reaches the claim: checks, studies, runs thrown away, angles of bores, photos."""

from __future__ import annotations

import json
import struct
import zipfile
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest

from analysis.bore import BoreSetup, measure_bore
from analysis.claim.from_record import claim_from_record, claim_of_job
from analysis.claim.pack import make_pack
from analysis.claim.signature import SigningKey
from analysis.claim.verify import verify_pack
from analysis.measure import measure_endplay
from analysis.record import Store
from analysis.record.jobs import Jobs, JobSheet, WheelSheet
from analysis.record.photos import keep_photo
from analysis.record.studies import Studies, StudySheet
from analysis.results_bore import BoreResult
from analysis.results_check import AtRest, IndicatorCheck, Pace
from config.clock import SteppedClock
from config.path import find_step, load_path

START = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
INDICATOR = {"name": "bench", "serial_number": "INVENTED-1", "resolution_nm": 1000}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "hubproof.sqlite"


def keep_endplay(store: Store, started: datetime, job: str | None = None) -> str:
    """An end play of 0.080 mm, kept and judged."""
    ref = store.begin_run(
        "endplay", INDICATOR, settings={}, started_t_ns=0, started_utc=started, job=job,
        wheel="front left", stage="as found",
    )  # fmt: skip
    noise = np.random.default_rng(1).integers(-1, 2, 400)
    rows = [(i, 10**7 * i, 1000 * int(i // 50 % 2 * 80 + noise[i]), None, None) for i in range(400)]
    store.append_readings(ref.key, rows)
    store.end_run(ref.key, "done", 5 * 10**9)
    store.save_result(ref.key, measure_endplay(store.trace(ref.id)))
    return ref.id


def test_the_last_check_and_study_by_then_are_told(path: Path) -> None:
    clock = SteppedClock(START)
    check = IndicatorCheck(
        indicator="bench",
        serial_number="INVENTED-1",
        pace=Pace(rate_hz=10, jitter_ms=1, worst_delay_ms=2, longest_interval_ms=110, missing=0),
        at_rest=AtRest(
            duration_s=5,
            readings=50,
            noise_mm=0.0004,
            spread_mm=0.001,
            step_mm=0.001,
            lowest_mm=0,
            highest_mm=0.001,
        ),
        passed=True,
    )
    sheet = StudySheet("bench", "endplay", ("A", "B"), ("1", "2"), 2, serial_number="INVENTED-1")
    with Store.open(path, clock=clock) as store, Studies.open(path, clock=clock) as studies:
        store.save_check(check)
        study = studies.begin(sheet)
        for number, step in enumerate(study.plan):
            studies.measured(study, step, 50_000 + 20_000 * (step.part == "2") + 700 * number)
        studies.finish(studies.find(study.id))
        run = keep_endplay(store, START + timedelta(hours=1))
        (told,) = claim_from_record(store, [run]).instruments
        early = keep_endplay(store, START - timedelta(hours=1))
        (before,) = claim_from_record(store, [early]).instruments
    assert told.last_check is not None
    assert (told.last_check.passed, told.last_check.what) == (True, "untouched: pace, noise and step")
    assert told.study is not None
    assert (told.study.id, told.study.parts, told.study.trials) == (study.id, 2, 2)
    assert (before.last_check, before.study) == (None, None)  # made after that run: says nothing of it


def test_a_run_thrown_away_is_shown_and_does_not_count(path: Path, key: SigningKey) -> None:
    with Store.open(path) as store:
        first, second = (keep_endplay(store, START + timedelta(minutes=m)) for m in (0, 5))
        store.keep(first, "thrown away", "the holder slipped")
        claim = claim_from_record(store, [first, second])
    assert [run.header.thrown_away for run in claim.runs] == ["the holder slipped", ""]
    with zipfile.ZipFile(BytesIO(make_pack(claim, key).content)) as archive:
        (name,) = [name for name in archive.namelist() if name.endswith("data/job.json")]
        assert json.loads(archive.read(name))["runs"][0]["thrown_away"] == "the holder slipped"


def test_a_bore_with_angles_and_settings_is_computed_anew_the_same(
    path: Path, key: SigningKey, tmp_path: Path
) -> None:
    angle = np.linspace(0, 720, 600)
    nm = (1000 * np.rint(3 * np.cos(2 * np.radians(angle)))).astype(int).tolist()
    bore = BoreSetup(ring_mm=74.002, knuckle_c=24.0)
    with Store.open(path) as store:
        ref = store.begin_run(
            "bore", INDICATOR, settings={"applied_bore": asdict(bore)}, started_t_ns=0, started_utc=START,
            wheel="front left", stage="as found",
        )  # fmt: skip
        store.append_readings(ref.key, [(i, 4 * 10**7 * i, nm[i], None, None) for i in range(600)])
        store.add_angles(ref.key, list(enumerate(angle.tolist())))
        store.end_run(ref.key, "done", 30 * 10**9)
        store.save_result(ref.key, measure_bore(store.trace(ref.id), bore=bore))
        claim = claim_from_record(store, [ref.id])
    pack = make_pack(claim, key)
    assert pack.warnings == ()
    result = claim.runs[0].result
    assert isinstance(result, BoreResult)
    assert result.method == "swept"
    assert result.out_of_round_mm == pytest.approx(0.006, abs=0.0006)
    (tmp_path / "pack.zip").write_bytes(pack.content)
    assert verify_pack(tmp_path / "pack.zip").faults == []


def jpeg() -> bytes:
    exif = b"Exif\0\0II*\0\x08\0\0\0\0\0GPS-SECRET"
    return (
        b"\xff\xd8\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif
        + b"\xff\xda" + struct.pack(">H", 8) + bytes(6) + b"scan\xff\xd9"
    )  # fmt: skip


def test_photos_of_a_job_come_along_without_their_metadata(path: Path, key: SigningKey) -> None:
    steps = load_path()
    with Jobs.open(path, clock=SteppedClock(START)) as jobs:
        job_id = jobs.begin(JobSheet("A. Invented", vehicle="invented"), [WheelSheet("front left")])
        job = jobs.find(job_id)
        kept = keep_photo(path.parent, jpeg(), where="photo")
        photo = jobs.new_attachment(
            "photo", name="hub.jpg", media_type=kept.media_type, sha256=kept.sha256, size=kept.size
        )
        step = find_step(steps, "photo_found")
        jobs.answer(job, job.wheels[0], step, "hub.jpg", "B. Invented", attached=[photo])
        job = jobs.find(job_id)
    with Store.open(path) as store:
        keep_endplay(store, START, job=job_id)
        claim = claim_of_job(store, job, steps)
    assert [step.by for step in claim.steps] == ["B. Invented"]
    with zipfile.ZipFile(BytesIO(make_pack(claim, key).content)) as archive:
        (name,) = [name for name in archive.namelist() if "/photos/" in name]
        content = archive.read(name)
    assert b"SECRET" not in content
    assert content.endswith(b"scan\xff\xd9")
