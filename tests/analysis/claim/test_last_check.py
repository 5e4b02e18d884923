"""What the pack says of an indicator: its last check before it measured; and the rest check's own ground."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from analysis.claim.from_record import claim_from_record
from analysis.claim.working import work_out
from analysis.indicator_check import Level, Seen, check_indicator
from analysis.record import Store
from analysis.rest import check_rest
from capture.measuring import setup_for
from capture.messages import RunRequest
from config.clock import SteppedClock
from config.limits import parse_limit
from tests.capture.helpers import indicator

START = datetime(2026, 1, 1, tzinfo=UTC)
DESCRIBED = indicator(serial_number="INVENTED-1", plunger_out="-12.3 mm")
LIMIT = parse_limit("0.005 mm", "runout")


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(START)


@pytest.fixture
def store(tmp_path: Path, clock: SteppedClock) -> Iterator[Store]:
    with Store.open(tmp_path / "record.sqlite", clock=clock) as opened:
        yield opened


def rest_run(store: Store, clock: SteppedClock) -> str:
    """A rest check of 3 s with a coarse step, near an end of the travel."""
    setup = setup_for(RunRequest(kind="rest"), DESCRIBED, None)
    ref = store.begin_run(
        "rest",
        DESCRIBED.model_dump(mode="json"),
        settings={"kind": "rest", "applied_setup": asdict(setup), "applied_limit": asdict(LIMIT)},
        started_t_ns=clock.monotonic_ns(),
        started_utc=clock.utc(),
    )
    start = clock.monotonic_ns()
    rows = [(n, start + n * 20_000_000, 1_000 * (n % 3), None, None) for n in range(150)]
    store.append_readings(ref.key, rows)
    store.end_run(ref.key, "done", start + 3 * 10**9)
    store.save_result(ref.key, check_rest(store.trace(ref.id), setup, limit=LIMIT))
    return ref.id


def test_the_last_check_before_the_run_is_told(store: Store, clock: SteppedClock) -> None:
    before = claim_from_record(store, [rest_run(store, clock)])
    assert before.instruments[0].last_check is None
    levels = [Level(at * 1_000_000, "up", (at * 1_001_000,) * 20) for at in (0, 2, 4)]
    seen = Seen(np.arange(100) * 0.02, [0, 1_000, 2_000, 1_000] * 25)
    store.save_check(check_indicator(DESCRIBED, seen, levels))
    clock.advance(60)
    run = rest_run(store, clock)
    clock.advance(60)
    store.save_check(check_indicator(DESCRIBED, seen))  # later: says nothing of that run
    told = claim_from_record(store, [run]).instruments[0].last_check
    assert told is not None
    assert told.what == "gauge blocks from 0 to 4 mm"
    assert (told.found_nm, told.allowed_nm, told.passed) == (4_000, 3_000, False)
    assert told.made_utc == START
    clock.advance(60)
    later = claim_from_record(store, [rest_run(store, clock)]).instruments[0].last_check
    assert later is not None
    assert (later.what, later.found_nm) == ("untouched: pace, noise and step", None)


def test_a_rest_check_is_computed_anew_from_its_own_limit_and_range(
    store: Store, clock: SteppedClock
) -> None:
    (run,) = claim_from_record(store, [rest_run(store, clock)]).runs
    codes = {reason.code for reason in run.result.reasons}
    assert {"resolution_coarse", "plunger_near_end"} <= codes
    assert work_out(run).result == run.result
