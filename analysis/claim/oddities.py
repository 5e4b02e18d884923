"""What of a claim does not go together: nothing that can be computed, but what a reader should ask about."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise

from analysis.claim.values import ClaimInput, ClaimRun

NM_PER_UM = 1000.0
CLOCK_MOVES = timedelta(minutes=10)  # a bench's clock may be set while a job is open


def oddities(claim: ClaimInput) -> list[str]:
    """A sentence each; empty where everything goes together."""
    return [*_times(claim), *_steps(claim), *_twice(claim), *_instruments(claim)]


def _times(claim: ClaimInput) -> Iterator[str]:
    opened, closed = claim.job.opened_utc, claim.job.closed_utc
    for run in claim.runs:
        begun = run.header.started_utc
        told = f"run {run.header.id} began at {_told(begun)}"
        if begun < opened - CLOCK_MOVES:
            yield f"{told}, before the job was opened: {_told(opened)}"
        if closed is not None and begun > closed + CLOCK_MOVES:
            yield f"{told}, after the job was closed: {_told(closed)}"


def _steps(claim: ClaimInput) -> Iterator[str]:
    for before, after in pairwise(claim.steps):
        if after.at_utc < before.at_utc - CLOCK_MOVES:
            yield f"step {after.step or after.what!r} at {_told(after.at_utc)} stands behind a later one"
    began = {run.header.id: run.header.started_utc for run in claim.runs}
    for step in claim.steps:
        begun = began.get(step.run or "")
        if begun is not None and step.at_utc < begun - CLOCK_MOVES:
            yield f"step {step.step or step.what!r} names a run that began after it: {_told(begun)}"


def _twice(claim: ClaimInput) -> Iterator[str]:
    """The same readings under two names: a run shown as another."""
    seen: dict[bytes, str] = {}
    for run in claim.runs:
        readings = run.trace.time_s.tobytes() + run.trace.reading_um.tobytes()
        other = seen.setdefault(readings, run.header.id)
        if len(run.trace) and other != run.header.id:
            yield f"run {run.header.id} has the very readings of run {other}"


def _instruments(claim: ClaimInput) -> Iterator[str]:
    known = {instrument.id: instrument for instrument in claim.instruments}
    for run in claim.runs:
        instrument = known.get(run.header.instrument or "")
        if run.header.instrument is not None and instrument is None:
            yield f"run {run.header.id} names an indicator that is not described: {run.header.instrument!r}"
        if instrument is not None and instrument.resolution_nm is not None:
            yield from _step_of(run, instrument.resolution_nm)


def _step_of(run: ClaimRun, resolution_nm: int) -> Iterator[str]:
    step_um = run.trace.resolution_um
    if step_um is not None and abs(step_um * NM_PER_UM - resolution_nm) > 1:
        yield (
            f"run {run.header.id} has readings in steps of {step_um:g} um, its indicator is described with "
            f"{resolution_nm / NM_PER_UM:g} um"
        )


def _told(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M:%S} UTC"
