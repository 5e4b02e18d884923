"""The page when something goes: an indicator unplugged, the station silent, killed and started again."""

from __future__ import annotations

import os
import signal
from typing import Any

import pytest

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]
SOON_MS = 15_000


@pytest.fixture(scope="module")
def page(tablet: Any) -> Any:
    return tablet()


def test_an_unplugged_indicator_is_shown_and_read_again_when_it_is_back(page: Any, station: Any) -> None:
    page.wait_for_selector("[data-start=rest]:enabled")
    page.click("#sound")
    station.wire.unplug()
    page.wait_for_selector("body[data-link=lost]", timeout=SOON_MS)
    assert page.inner_text("#link-word") == "lost"
    assert page.evaluate("window.tones") == [330, 220]
    assert page.inner_text("#link-why") != ""  # what is wrong and what to do
    page.click("#rooms a[href='#indicators']")
    page.wait_for_selector(".card.lost .problem", timeout=SOON_MS)
    station.wire.replug()
    page.wait_for_selector(".card.live", timeout=SOON_MS)
    page.click("#rooms a[href='#measure']")


def test_a_silent_station_is_shown_within_a_second_and_comes_back_by_itself(page: Any, station: Any) -> None:
    page.wait_for_selector("body[data-link=live]", timeout=SOON_MS)
    page.evaluate("window.awayMs = undefined")
    os.kill(station.daemon.pid, signal.SIGSTOP)
    try:
        page.wait_for_selector("body[data-link=away]", timeout=SOON_MS)
        assert 0 < page.evaluate("window.awayMs - window.heardMs") < 1000
        assert page.inner_text("#link-word") == "not live"
        assert page.is_disabled("[data-start=rest]")
    finally:
        os.kill(station.daemon.pid, signal.SIGCONT)
    page.wait_for_selector("body[data-link=live]", timeout=SOON_MS)
    assert page.is_enabled("[data-start=rest]")


def test_a_daemon_killed_in_a_run_is_seen_and_its_run_is_closed_when_it_is_back(
    page: Any, station: Any
) -> None:
    page.click("[data-start=runout]")
    page.wait_for_selector("body[data-view=run]")
    page.wait_for_timeout(300)
    station.daemon.kill()
    station.daemon.wait()
    page.wait_for_selector("body[data-link=away]", timeout=SOON_MS)
    assert "not answer" in page.inner_text("#link-why")
    station.start_again()
    page.wait_for_selector("body[data-link=live]", timeout=SOON_MS)
    page.wait_for_selector("body:not([data-view=run])", timeout=SOON_MS)
    page.wait_for_selector("[data-start=runout]:enabled", timeout=SOON_MS)
