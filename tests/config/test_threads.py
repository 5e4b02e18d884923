"""That a process of ours computes on one thread, unless its user wants more."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from config.threads import LIBRARIES

ROOT = Path(__file__).parents[2]
THREADS = "import capture, numpy as np; np.linalg.solve(np.eye(300), np.ones(300)); import os; print({})"
COUNT = "len(os.listdir('/proc/self/task'))"


def _process(asked: str, **more: str) -> str:
    bare = {name: value for name, value in os.environ.items() if name not in LIBRARIES}
    command = [sys.executable, "-c", THREADS.format(asked)]
    environment = {**bare, "PYTHONPATH": str(ROOT), **more}
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout.strip()


@pytest.mark.skipif(not os.path.isdir("/proc/self/task"), reason="threads are counted as Linux shows them")
def test_numpy_starts_no_threads_in_a_process_of_ours() -> None:
    assert _process(COUNT) == "1"


def test_what_the_user_has_set_stays() -> None:
    assert _process(f"os.environ[{LIBRARIES[0]!r}]", **{LIBRARIES[0]: "3"}) == "3"
