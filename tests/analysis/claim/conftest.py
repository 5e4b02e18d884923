"""A whole claim of an invented workshop, small enough to be built many times."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from analysis.claim.pack import Pack, make_pack
from analysis.claim.signature import SigningKey, load_or_make_key
from analysis.claim.values import (
    Check,
    ClaimInput,
    ClaimRun,
    Instrument,
    Job,
    RunHeader,
    Step,
    Vehicle,
)
from analysis.claim.working import work_out
from analysis.results import Counts, RestResult
from analysis.trace import Trace
from analysis.values import Setup
from config.limits import Limit

START = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
RUNOUT_LIMIT = Limit("flange run-out", "runout", "invented workshop sheet 7", max_nm=50_800)
PLAY_LIMIT = Limit(
    "hub end play", "endplay", "invented workshop sheet 8", good_up_to_nm=76_200, bad_above_nm=127_000
)


def turned(swing_um: float, *, readings: int = 400, seed: int = 1) -> Trace:
    """A hub turned a little over three times, index mark tapped; order 1 and 2, 1 um steps."""
    rng = np.random.default_rng(seed)
    time_s = np.linspace(0.0, 16.0, readings)
    angle = 2 * np.pi * 3.3 * time_s / 16.0
    clean = 0.5 * swing_um * np.cos(angle - 1.9) + 0.1 * swing_um * np.cos(2 * angle - 1.0)
    mark = np.zeros(readings, dtype=np.bool_)
    mark[np.searchsorted(angle, [2 * np.pi, 4 * np.pi, 6 * np.pi])] = True
    flag = np.full(readings, "", dtype="U40")
    flag[50] = "=HYPERLINK(1)"
    return Trace(time_s, np.round(clean + rng.normal(0, 0.4, readings)), mark, None, flag, None, 1.0)


def pushed(play_um: float, *, readings: int = 320, seed: int = 2) -> Trace:
    """A hub pushed and pulled four times, 1 um steps."""
    rng = np.random.default_rng(seed)
    time_s = np.linspace(0.0, 16.0, readings)
    out = np.sin(time_s * np.pi / 2 - 0.01) < 0
    return Trace(time_s, np.round(100 - play_um * out + rng.normal(0, 0.5, readings)), resolution_um=1.0)


def claim_run(number: int, kind: str, stage: str, trace: Trace, limit: Limit | None) -> ClaimRun:
    header = RunHeader(
        id=f"0195aaaa-0000-7000-8000-{number:012d}",
        kind=kind,
        started_utc=START + timedelta(minutes=10 * number),
        wheel="front left",
        stage=stage,
        technician="A. Example",
        instrument="bench A",
        setup=Setup(studs=5, holder_moved=False, permissible_error_um=3.0),
    )
    nothing = RestResult(
        steady=None,
        holder_moved=None,
        duration_s=0,
        noise_mm=None,
        drift_mm_per_min=None,
        slip_mm=None,
        readings=Counts(used=0, rejected=0),
        resolution_mm=None,
        reasons=(),
    )
    run = ClaimRun(header, trace, nothing, limit)
    return replace(run, result=work_out(run).result)


@pytest.fixture(scope="session")
def claim() -> ClaimInput:
    return ClaimInput(
        job=Job(
            id="0195aaaa-0000-7000-8000-00000000abcd",
            number="J-2026-0117",
            opened_utc=START,
            closed_utc=START + timedelta(hours=3),
            workshop="Example Workshop (invented)",
            technician="A. Example",
            vehicle=Vehicle(make="Invented", model="Wagon", year=2021, odometer=81_234, plate="PLATE-77"),
            complaint="Humming from the front left above 60 km/h.",
            customer="Customer Somebody",
        ),
        runs=(
            claim_run(1, "endplay", "as found", pushed(152), PLAY_LIMIT),
            claim_run(2, "runout", "as found", turned(90), RUNOUT_LIMIT),
            claim_run(3, "endplay", "after repair", pushed(12), PLAY_LIMIT),
            claim_run(4, "runout", "after repair", turned(16), RUNOUT_LIMIT),
        ),
        instruments=(
            Instrument(
                id="bench A",
                name="bench A",
                resolution_nm=1000,
                calibrated_on=date(2025, 6, 1),
                calibration_due=date(2026, 1, 1),
                last_check=Check(
                    made_utc=START, what="1 mm block", found_nm=1_000, allowed_nm=3_000, passed=True
                ),
            ),
        ),
        steps=(Step(at_utc=START, what="Hub nut torqued on the ground", value="245 N·m", by="A. Example"),),
    )


@pytest.fixture(scope="session")
def key(tmp_path_factory: pytest.TempPathFactory) -> SigningKey:
    return load_or_make_key(tmp_path_factory.mktemp("key") / "signing_key")


@pytest.fixture(scope="session")
def pack(claim: ClaimInput, key: SigningKey) -> Pack:
    return make_pack(claim, key)


@pytest.fixture(scope="session")
def small_pack(claim: ClaimInput, key: SigningKey) -> Pack:
    """The pack of the first run alone, an end play: quickly computed anew."""
    return make_pack(replace(claim, runs=claim.runs[:1]), key)


@pytest.fixture
def written(tmp_path: Path) -> Callable[[bytes], Path]:
    """Writes bytes as a pack file."""

    def write(content: bytes) -> Path:
        path = tmp_path / "pack.zip"
        path.write_bytes(content)
        return path

    return write
