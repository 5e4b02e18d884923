"""A tablet of the workshop's network: let in by its code, a knuckle's bore gauged with it, sent away again.

The daemon is a real one that is opened to the network; the gauge is a simulated one at a serial port.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from capture.commands.simulate import described_at
from capture.daemon import network_address
from config.clock import SystemClock
from config.indicators import indicator_named, load_indicators
from simulators.bore import Bore, BoreBench, Gauging
from simulators.indicator import Gauge, gauge_of
from tests.capture.daemon_process import DaemonProcess
from tests.capture.page.browser.conftest import LATEST_MS, SIZES

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
ONE_STORY = True
RING_MM = 74.002
SIZED = {"size": "74 mm", "bore": "N7", "setting_ring": "74.002 mm", "directions": "3", "depths": "1"}
MAKER = {"limits": {"bore": "0.03 mm"}, "source": "invented manual, page 5"}
BEFORE = {"vehicle_secured": "yes", "turning": "rough", "replace": "yes", "bore_clean": "yes"}
OVAL_UM = 60.0


@pytest.fixture(scope="module")
def gauge() -> BoreBench:
    indicator = indicator_named("bench", load_indicators())
    like = gauge_of(indicator, np.random.default_rng(1), Gauge(noise_um=0.2, hysteresis_um=0.2))
    return BoreBench(Bore(diameter_mm=73.974, oval_um=OVAL_UM), RING_MM, like, 1, SystemClock())


@pytest.fixture(scope="module")
def daemon(gauge: BoreBench, tmp_path_factory: pytest.TempPathFactory) -> Iterator[DaemonProcess]:
    if os.name != "posix":
        pytest.skip("the virtual serial port needs a POSIX system")
    if network_address().startswith("127."):
        pytest.skip("this machine has no network to come from")
    from simulators.serial_port import VirtualSerialPort

    folder = tmp_path_factory.mktemp("opened")
    indicator = indicator_named("bench", load_indicators())
    with VirtualSerialPort(indicator, gauge, SystemClock()) as port:
        described = folder / "indicators.toml"
        described.write_text(described_at(indicator, port.url), encoding="utf-8")
        with DaemonProcess(folder / "data", described, "--network") as daemon:
            yield daemon


@pytest.fixture(scope="module")
def page(browser: Any, daemon: DaemonProcess) -> Iterator[Any]:
    width, height = SIZES["tablet"]
    context = browser.new_context(locale="en-GB", viewport={"width": width, "height": height})
    page = context.new_page()
    page.set_default_timeout(LATEST_MS)
    page.goto(f"http://{network_address()}:{daemon.address.rpartition(':')[2]}")
    yield page
    context.close()


def test_a_tablet_of_the_network_comes_in_by_the_code_of_the_bench_only(
    page: Any, daemon: DaemonProcess
) -> None:
    page.wait_for_selector("#pair-code")
    assert page.is_hidden("#rooms")
    code = daemon.ask("POST", "/devices/code")["code"]
    wrong = code[:-1] + ("2" if code[-1] != "2" else "3")
    page.fill("#pair-device", "tablet at lift 2")
    page.fill("#pair-code", wrong)
    page.keyboard.press("Enter")
    page.wait_for_selector(".pair .problem:has-text('not the pairing code')")
    page.click("#language")
    page.wait_for_selector("h1:text-is('Dieses Gerät ist neu hier')")
    assert page.input_value("#pair-device") == "tablet at lift 2"  # to be corrected, not typed again
    assert page.input_value("#pair-code") == wrong
    page.click("#language")
    page.fill("#pair-code", f"{code[:3].lower()} {code[3:]}")
    page.click("button:text-is('Come in')")
    page.wait_for_selector("#rooms:not([hidden])")
    page.wait_for_selector("body[data-link=live]")
    assert [each["name"] for each in daemon.ask("GET", "/devices")] == ["tablet at lift 2"]


def test_a_bore_is_gauged_for_its_step_and_an_oval_one_is_over(
    page: Any, daemon: DaemonProcess, gauge: BoreBench
) -> None:
    page.evaluate("localStorage.setItem('technician', 'A. Example')")
    wheels = [{"wheel": "rear left", "bearing": "ball", "sizes": SIZED, **MAKER}]
    opened = daemon.ask("POST", "/jobs", technician="A. Example", vehicle="Invented pickup", wheels=wheels)
    job = opened["job"]["id"]
    for step, answer in BEFORE.items():
        daemon.ask("POST", f"/jobs/{job}/steps/{step}", technician="A. Example", answer=answer)
    page.evaluate("way => { location.hash = way; }", f"#job/{job}/rear%20left/steps/bore")
    page.click(".measure-now")
    page.wait_for_selector("[data-start=bore].next:enabled")
    assert page.locator("#starts button:visible").count() == 1  # nothing else is measured with that gauge
    page.click("[data-start=bore]")
    page.wait_for_selector("#say:text('Rock the gauge')")
    assert page.is_hidden("#mark")
    gauge.do(Gauging(directions=3, depths=1, rocks=2))
    page.wait_for_selector("#count-text:text('1 of 3 places')")
    page.wait_for_selector("#outcome .figure:has-text('mm')")
    assert page.inner_text("#outcome .verdict-word") == "over"
    found = re.match(r"([\d.]+) mm ± ([\d.]+) mm", page.inner_text("#outcome .figure"))
    assert found is not None
    value_mm, reach_mm = float(found[1]), float(found[2])
    # three directions tell the whole oval: its largest and smallest diameters lie between them
    assert abs(value_mm - OVAL_UM / 1000.0) <= reach_mm + 0.002  # two steps of the indicator
    page.click("#keep")
    page.wait_for_selector(".path-step.wrong[href$='/bore']")
    page.click(".path-step[href$='/bore']")
    assert "the bearing must not go in" in page.inner_text(".step .problem")


def test_a_device_that_is_sent_away_at_the_bench_is_asked_for_a_code_again(
    page: Any, daemon: DaemonProcess
) -> None:
    (device,) = daemon.ask("GET", "/devices")
    daemon.ask("DELETE", f"/devices/{device['id']}")
    page.wait_for_selector("#pair-code")
    assert page.is_hidden("#rooms")
    assert page.input_value("#pair-code") == ""
