"""From a recorded job to what a claim pack says of it: particulars, wheel ends, steps with time and name."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from analysis.claim.values import Job, Photo, Step, Vehicle, WheelFacts
from analysis.record.job_values import Entry, JobRecord, WheelEnd
from analysis.record.photos import read_photo
from analysis.record.words import Wheel
from config.path import Step as PathStep

NOT_KNOWN = "not known"


def chosen_ends(job: JobRecord, wheel: Wheel | None) -> tuple[WheelEnd, ...]:
    """The wheel ends that are claimed with: all of the job, or the one at that position.

    Raises:
        InputError: the job has no such wheel end.
    """
    return job.wheels if wheel is None else (job.wheel(wheel),)


def particulars(job: JobRecord, last_utc: datetime, *, workshop: str) -> Job:
    """Vehicle, complaint, technician, customer; `last_utc` dates the pack of a job that is still open.

    Customer and plate are in it as recorded: `pack.for_handing_over` takes them off unless asked for.
    """
    sheet = job.sheet
    return Job(
        id=job.id,
        number=job.id,
        opened_utc=datetime.fromisoformat(job.opened_utc),
        changed_utc=last_utc if job.closed_utc is None else None,
        closed_utc=None if job.closed_utc is None else datetime.fromisoformat(job.closed_utc),
        state=job.state,
        workshop=workshop,
        technician=sheet.technician,
        vehicle=Vehicle(
            description=sheet.vehicle,
            vin=sheet.vin or "",
            odometer=sheet.odometer_km,
            plate=sheet.plate or None,
        ),
        complaint=sheet.complaint,
        customer=sheet.customer or None,
    )


def last_change_utc(ends: Sequence[WheelEnd], job: JobRecord) -> datetime:
    """When the last entry of these wheel ends was made, else when the job was opened."""
    times = [entry.at_utc for end in ends for entry in end.entries]
    return max(map(datetime.fromisoformat, [job.opened_utc, *times]))


def wheel_facts(end: WheelEnd) -> WheelFacts:
    """What was written down of a wheel end; parts and lots as read at the bearing where they were."""
    sheet = end.sheet
    return WheelFacts(
        wheel=sheet.wheel,
        bearing="" if sheet.bearing == NOT_KNOWN else sheet.bearing,
        encoder="" if sheet.encoder == NOT_KNOWN else sheet.encoder,
        torque_n_m=sheet.torque_n_m,
        limits=dict(sheet.limits),
        sizes=dict(sheet.sizes),
        source=sheet.source,
        **end.parts,
    )


def photos_of(ends: Sequence[WheelEnd], path: Sequence[PathStep], data: Path) -> tuple[Photo, ...]:
    """The photos of these wheel ends in the order of time, as they were kept in the folder `data`.

    Raises:
        StoreError: one is gone, or was changed after it was kept.
    """
    known = {step.id: step.do for step in path}
    kept = sorted(
        ((end.sheet.wheel, *photo) for end in ends for photo in end.photos), key=lambda one: one[1].at_utc
    )
    return tuple(
        Photo(
            taken_utc=datetime.fromisoformat(entry.at_utc),
            caption=f"{wheel}: {known.get(entry.step, entry.step)}",
            content=read_photo(data, attachment),
        )
        for wheel, entry, attachment in kept
    )


def steps_of(ends: Sequence[WheelEnd], path: Sequence[PathStep]) -> tuple[Step, ...]:
    """Every entry of these wheel ends in the order of time, those that were put right later included."""
    known = {step.id: step for step in path}
    taken = [_step(end.sheet.wheel, entry, known.get(entry.step)) for end in ends for entry in end.entries]
    return tuple(sorted(taken, key=lambda step: step.at_utc))


def _step(wheel: Wheel, entry: Entry, step: PathStep | None) -> Step:
    return Step(
        at_utc=datetime.fromisoformat(entry.at_utc),
        wheel=wheel,
        step=entry.step,
        what=step.do if step is not None else entry.step,
        value=entry.answer,
        by=entry.technician,
        skipped=entry.what == "skip",
        problem=entry.problem or "",
        run=entry.run,
        figures=next((dict(one.content) for one in entry.attached if one.what != "photo"), {}),
    )
