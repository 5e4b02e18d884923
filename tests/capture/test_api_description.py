"""The whole API asked what its own description allows: no server error, no answer that is not described.

schemathesis reads `/openapi.json`, makes the requests and compares the answers; the station behind the door
is real but for its indicator, which never speaks.
"""

from __future__ import annotations

import asyncio
import os
import re
import socket
import threading
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
import uvicorn
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.generation import GenerationMode

from capture.api.app import create_app
from capture.bench import Bench
from config.settings import load_limits
from tests.capture.helpers import indicator
from tests.capture.page.record import fill

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(300),
    pytest.mark.filterwarnings("ignore:Do not use the `random` module"),  # schemathesis does, inside
]
EXAMPLES = int(os.environ.get("HUBPROOF_API_EXAMPLES", "2"))
"""Requests for each way of asking; set it higher for a longer look."""
CHECKS = [
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_schema_conformance",
]
NOT_ASKED = {
    (
        "GET",
        "/jobs/{job}/claim.zip",
    ),  # its answers are checked by the packs' own tests; a pack takes its time
}


class Served:
    """The door of a bench over a real socket, in a thread with a loop of its own."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._started = threading.Event()

    def __enter__(self) -> str:
        self._thread = threading.Thread(target=lambda: asyncio.run(self._work()), name="door")
        self._thread.start()
        assert self._started.wait(20)
        return self.address

    async def _work(self) -> None:
        async with Bench(self._folder, (indicator(),), load_limits()) as bench:
            with socket.create_server(("127.0.0.1", 0)) as listener:
                self.address = f"http://127.0.0.1:{listener.getsockname()[1]}"
                config = uvicorn.Config(create_app(bench), log_config=None, lifespan="off")
                self._server = uvicorn.Server(config)
                self._server.capture_signals = _none  # type: ignore[method-assign]
                serving = asyncio.create_task(self._server.serve(sockets=[listener]))
                while not self._server.started:
                    await asyncio.sleep(0.005)
                self._started.set()
                await serving

    def __exit__(self, *_: object) -> None:
        self._server.should_exit = True
        self._thread.join(20)


class _none:  # noqa: N801  stands in for a context manager
    def __enter__(self) -> None: ...

    def __exit__(self, *_: object) -> None: ...


def checks() -> list[Any]:
    schemathesis.checks.load_all_checks()
    return schemathesis.checks.CHECKS.get_by_names(CHECKS)


def test_every_answer_is_described_and_none_is_a_server_error(tmp_path: Path) -> None:
    known = fill(tmp_path)
    there = {"run": known["found"], "job": known["job"], "step": "turning", "name": "tested"}
    with Served(tmp_path) as address:
        answers = ask_all(schemathesis.openapi.from_url(f"{address}/openapi.json"), there)
    assert sum(answers.values()) > 40 * EXAMPLES
    assert {200, 204, 400, 422} <= set(answers)  # things were done, refused and not understood


def ask_all(schema: Any, there: dict[str, str]) -> Counter[int]:
    """Every operation, with what is really there and with anything; returns the answers by status."""
    wanted = checks()
    answers: Counter[int] = Counter()
    for result in schema.get_all_operations():
        operation = result.ok()
        if (operation.method.upper(), operation.path) in NOT_ASKED:
            continue
        named = {name: there[name] for name in re.findall(r"{(\w+)}", operation.path) if name in there}
        for strategy in strategies(operation, named):
            answers.update(ask(strategy, wanted))
    return answers


def strategies(operation: Any, named: dict[str, str]) -> Iterator[Any]:
    """As described: of anything, and of what is really there; and other than described, where that can be."""
    if not named or EXAMPLES > 2:
        yield operation.as_strategy(generation_mode=GenerationMode.POSITIVE)
    if named:
        yield operation.as_strategy(generation_mode=GenerationMode.POSITIVE, path_parameters=named)
    if list(operation.query) or list(operation.body):  # any text is a name in a path
        yield operation.as_strategy(generation_mode=GenerationMode.NEGATIVE)


def ask(strategy: Any, wanted: list[Any]) -> Counter[int]:
    """Make some requests; an answer that is not described fails. Returns the answers by status."""
    answers: Counter[int] = Counter()

    @settings(
        max_examples=EXAMPLES, deadline=None, derandomize=True, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(strategy)
    def asked(case: Any) -> None:
        answers[case.call_and_validate(checks=wanted).status_code] += 1

    asked()
    return answers
