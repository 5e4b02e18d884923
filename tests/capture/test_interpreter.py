"""How the interpreter is set for a station, and that no setting outlives the start."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator

import pytest

from capture.interpreter import COLLECT_AFTER, SWITCH_S, load_quickly, settle_in


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    switch_s, threshold = sys.getswitchinterval(), gc.get_threshold()
    yield
    sys.setswitchinterval(switch_s)
    gc.set_threshold(*threshold)
    gc.unfreeze()
    gc.enable()


def test_cycles_are_found_again_once_the_station_is_ready() -> None:
    load_quickly()
    assert not gc.isenabled()
    settle_in()
    assert gc.isenabled()
    assert gc.get_threshold() == COLLECT_AFTER
    assert sys.getswitchinterval() == pytest.approx(SWITCH_S)
