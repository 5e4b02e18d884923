"""A few of the kills of `tests.bench.crash`, always the same ones: capturing, analysing, migrating."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kill -9")


@pytest.mark.slow
def test_kills_at_drawn_instants_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    from tests.bench.crash import PROMISE_MS, Analysing, Capturing, Migrating, Tally

    tally, dice = Tally(), random.Random(7)
    for work, kills in ((Capturing, 2), (Analysing, 1), (Migrating, 1)):
        victim = work(tmp_path / work.__name__, dice, tally)
        for number in range(kills):
            victim.once(number)
    assert (tally.damaged, tally.acknowledged_missing, tally.hands_needed) == (0, 0, 0)
    assert (tally.copies, tally.copies_wrong) == (2, 0)
    assert tally.worst_ms <= PROMISE_MS
