"""A run-out with a second indicator, recorded as a run of its own: a pack computes the same anew."""

from __future__ import annotations

import io
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from analysis.claim.from_record import claim_from_record
from analysis.claim.working import work_out
from analysis.record import Store
from analysis.record.second import SECOND_RUN
from analysis.trace_file import parse_trace, write_trace
from capture.measuring import conclude, setup_for
from capture.messages import RunRequest
from config.clock import SteppedClock
from config.limits import parse_limit
from simulators.hand import Turn
from simulators.recording import record
from tests.capture.helpers import indicator

START = datetime(2026, 1, 1, tzinfo=UTC)
FACE, FOOT = indicator(name="face"), indicator(name="foot")
REQUEST = RunRequest(kind="runout", turns=2, indicator="face", second_indicator="foot", second="reference")


def test_what_the_record_pairs_a_pack_computes_again(tmp_path: Path) -> None:
    played = record("bent-flange", Turn(2.3, "gentle", turn_s=3.0), 4, second="reference")
    assert played.length2_nm is not None
    limit, setup = parse_limit("0.05 mm", "runout"), setup_for(REQUEST, FACE, None)
    with Store.open(tmp_path / "record.sqlite", clock=SteppedClock(START)) as store:
        foot = store.begin_run(
            "trace", FOOT.model_dump(mode="json"), settings={}, started_t_ns=10**9, started_utc=START
        )
        settings = {
            **REQUEST.model_dump(mode="json", exclude_none=True),
            "applied_setup": asdict(setup),
            "applied_limit": asdict(limit),
            SECOND_RUN: foot.id,
        }
        known = FACE.model_dump(mode="json")
        face = store.begin_run("runout", known, settings=settings, started_t_ns=11 * 10**8, started_utc=START)
        arrived = [round((2.0 + time_s) * 1e9) for time_s in played.time_s.tolist()]
        later = [t_ns + 3_000_000 for t_ns in arrived]  # the second's link is 3 ms slower
        for key, times, lengths in (
            (face.key, arrived, played.length_nm),
            (foot.key, later, played.length2_nm),
        ):
            rows = [
                (n, t, nm, None, None) for n, (t, nm) in enumerate(zip(times, lengths.tolist(), strict=True))
            ]
            store.append_readings(key, rows)
            store.end_run(key, "done", arrived[-1] + 10**7)
        trace = store.trace(face.id)
        assert trace.reading2_um is not None
        assert np.array_equal(trace.reading2_um, played.length2_nm / 1000)
        result, _ = conclude(REQUEST, trace, limit, setup)
        assert result is not None
        assert any(reason.code == "reference_taken_off" for reason in result.reasons)
        store.save_result(face.key, result)
        (run,) = claim_from_record(store, [face.id]).runs
    written = io.StringIO(newline="")
    write_trace(run.trace, written)
    again, _ = parse_trace(written.getvalue(), "pack")
    assert again.time_s.tolist() == trace.time_s.tolist()
    assert work_out(run).result == run.result
