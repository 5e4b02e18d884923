"""Two tablets at one job: what one of them read before the other wrote releases no vehicle."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.record.jobs import Jobs, JobSheet, WheelSheet
from config.errors import InputError
from config.path import Step

SEAL = Step(
    id="seal", stage="as found", do="Look at the seal.", records="choice",
    choices=("sound", "torn"), wrong={"torn": "the seal is torn"},
)  # fmt: skip


def test_what_was_found_wrong_meanwhile_keeps_the_vehicle_here(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    with Jobs.open(path) as one, Jobs.open(path) as other:
        job_id = one.begin(JobSheet("A", vin="X"), [WheelSheet("front left")])
        one.answer(one.find(job_id), one.find(job_id).wheels[0], SEAL, "sound", "A")
        seen = one.find(job_id)
        other.answer(other.find(job_id), other.find(job_id).wheels[0], SEAL, "torn", "B")
        with pytest.raises(InputError, match="the seal is torn"):
            one.release(seen, (SEAL,))
        assert one.find(job_id).closed_utc is None
        other.answer(other.find(job_id), other.find(job_id).wheels[0], SEAL, "sound", "B")
        one.release(seen, (SEAL,))
        assert other.find(job_id).state == "released"
        with pytest.raises(InputError, match="is released"):
            other.release(seen, (SEAL,))


def test_what_was_found_wrong_meanwhile_is_not_skipped(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    with Jobs.open(path) as one, Jobs.open(path) as other:
        job_id = one.begin(JobSheet("A", vin="X"), [WheelSheet("front left"), WheelSheet("front right")])
        seen = one.find(job_id)
        other.answer(other.find(job_id), other.find(job_id).wheels[1], SEAL, "torn", "B")
        with pytest.raises(InputError, match="cannot be skipped over what was found: the seal is torn"):
            one.skip(seen, seen.wheels[1], SEAL, "no time", "A")
        one.skip(seen, seen.wheels[0], SEAL, "no time", "A")  # the other wheel end has no such fault
        assert [len(end.entries) for end in one.find(job_id).wheels] == [1, 1]
