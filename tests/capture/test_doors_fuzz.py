"""A part of `tests.bench.fuzz`, always the same: spoiled files, requests and frames are refused clearly."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.errors import LONGEST_LINE, InputError
from tests.bench.fuzz import all_files, on_the_socket, requests
from tests.capture.test_bench import at_work


def test_spoiled_files_are_refused_in_one_line() -> None:
    for name, found in all_files(150, 11).items():
        assert found.finds == [], name
        assert found.refused > 20


async def test_spoiled_requests_never_fail_the_station(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        found = await requests(station.bench, 150, 11)
        assert station.bench.health().state == "ok"
    assert found.finds == []
    assert found.refused > 50


@pytest.mark.slow
def test_frames_that_no_listener_sends_close_a_socket_at_most() -> None:
    assert on_the_socket(15, 11).finds == []


def test_a_message_is_never_longer_than_a_person_reads() -> None:
    line = InputError("x" * 100_000, where="a.csv", do="send a shorter one").line()
    assert len(line) <= LONGEST_LINE + 3
    assert line.startswith("a.csv: xxx")
    assert line.endswith("send a shorter one")
