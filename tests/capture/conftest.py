"""A test that leaves a task, a thread or an open port behind fails."""

from __future__ import annotations

import asyncio
import inspect
import os
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

FD = Path("/proc/self/fd")


def open_ports() -> set[str]:
    """Open terminals and databases of this process (where the system shows them)."""
    if not FD.is_dir():
        return set()
    found = set()
    for entry in os.listdir(FD):
        try:
            target = os.readlink(FD / entry)
        except OSError:
            continue
        if target.startswith(("/dev/pts", "/dev/ptmx")) or ".sqlite" in target:
            found.add(f"{entry} -> {target}")
    return found


def own_threads() -> set[threading.Thread]:
    """Threads that somebody started on purpose; the event loop has some of its own (a pool, ``waitpid``)."""
    return {thread for thread in threading.enumerate() if not thread.name.startswith("asyncio")}


@pytest.fixture
async def _tasks_end() -> AsyncIterator[None]:
    before = asyncio.all_tasks()
    yield
    left = {task for task in asyncio.all_tasks() - before if task is not asyncio.current_task()}
    assert not left, f"tasks left running: {[task.get_name() for task in left]}"


@pytest.fixture(autouse=True)
def _nothing_is_left(request: pytest.FixtureRequest) -> Iterator[None]:
    threads, ports = own_threads(), open_ports()
    if inspect.iscoroutinefunction(getattr(request, "function", None)):
        request.getfixturevalue("_tasks_end")
    yield
    assert not own_threads() - threads, "threads left running"
    assert not open_ports() - ports, "ports or databases left open"
