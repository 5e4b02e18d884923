"""A record in a folder of its own, and rows to put into it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.record import Reading, RunRef, Store
from config.clock import SteppedClock

START_NS = 5_000_000_000_000
START_UTC = datetime(2026, 3, 4, 5, 6, 7, 891234, tzinfo=UTC)
INDICATOR = {"name": "bench", "resolution_nm": 1000, "serial_number": "INVENTED-0001"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "hubproof.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path, clock=SteppedClock(START_UTC)) as opened:
        yield opened


def begin(store: Store, kind: str = "runout", **more: object) -> RunRef:
    return store.begin_run(
        kind,  # type: ignore[arg-type]
        INDICATOR,
        settings={"asked_turns": 3},
        started_t_ns=START_NS,
        started_utc=START_UTC,
        **more,  # type: ignore[arg-type]
    )


def rows(count: int, first: int = 0, step_ns: int = 20_000_000) -> list[Reading]:
    return [
        (seq, START_NS + seq * step_ns, 1000 * ((seq * 37) % 101 - 50), None, None)
        for seq in range(first, first + count)
    ]
