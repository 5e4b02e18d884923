"""What a station loads before it is ready: what only some of its work needs is loaded when asked for."""

from __future__ import annotations

import gc
import subprocess
import sys

from capture.interpreter import COLLECT_AFTER, SWITCH_S, settle_in
from tests.capture.daemon_process import environment

HEAVY = ("scipy", "pint", "typst", "bleak", "cryptography", "rich", "jsonschema", "PIL")
LOADED = f"import sys; print(*(name for name in {HEAVY!r} if name in sys.modules))"


def loaded_by(module: str, then: str = "pass") -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"import {module}; {then}; {LOADED}"],
        capture_output=True,
        text=True,
        check=True,
        env=environment(),
    )
    return done.stdout.split()


def test_the_daemon_is_ready_without_what_only_a_measurement_needs() -> None:
    assert loaded_by("capture.daemon") == []


def test_the_shipped_settings_are_read_without_the_library_of_units() -> None:
    read = "config.settings.load_limits(); config.indicators.load_indicators()"
    assert loaded_by("config.settings, config.indicators", read) == []


def test_help_is_printed_without_what_a_station_needs() -> None:
    assert loaded_by("capture.commands") == []


def test_the_interpreter_is_set_for_a_station_at_work() -> None:
    before = sys.getswitchinterval(), gc.get_threshold()
    try:
        settle_in()
        assert sys.getswitchinterval() <= SWITCH_S * 1.001
        assert gc.get_threshold() == COLLECT_AFTER
        assert gc.isenabled()
        assert gc.get_freeze_count() > 1_000
    finally:
        gc.unfreeze()
        sys.setswitchinterval(before[0])
        gc.set_threshold(*before[1])
