"""The page in a real browser, before a real daemon that reads a simulated indicator over a serial port."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Iterator
from typing import Any

import pytest

from simulators.hand import Rest, Strokes

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]
SIZES = {"phone": (390, 844), "tablet": (1280, 800), "laptop": (1440, 900)}
ENOUGH_MS = 45_000
LIVE_MS = 5_000
WATCH = """
// by the page's own clock: when the station was last heard, and when the page said that it is away
const Socket = window.WebSocket;
window.WebSocket = class extends Socket {
  constructor(...all) {
    super(...all);
    this.addEventListener("message", () => { window.heardMs = performance.now(); });
  }
};
new MutationObserver(() => {
  if (document.body?.dataset.link === "away") window.awayMs ??= performance.now();
}).observe(document, { subtree: true, childList: true, attributes: true, attributeFilter: ["data-link"] });
"""


@pytest.fixture
def page(browser: Any, station: Any) -> Iterator[Any]:
    """The page, with every complaint of the browser kept, and live."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, locale="en-GB")
    page = context.new_page()
    page.complaints = []
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.on("console", lambda said: said.type == "error" and page.complaints.append(said.text))
    page.hosts = set()
    page.on("request", lambda request: page.hosts.add(request.url.split("/")[2]))
    page.add_init_script(WATCH)
    page.goto(station.address)
    page.wait_for_selector("body[data-link=live]", timeout=LIVE_MS)
    yield page
    context.close()


def test_end_play_from_the_start_key_to_the_verdict(page, station):
    station.bench.do(Rest(0.2))
    page.click("[data-start=endplay]")
    page.wait_for_selector("body[data-view=run]")
    station.bench.do(Rest(1.0))
    deed = station.bench.do(Strokes(3))
    page.wait_for_selector("body[data-view=outcome]", timeout=ENOUGH_MS)
    assert deed.truth.strokes is not None
    true_mm = deed.truth.strokes.play_um / 1000.0
    found = re.match(r"([\d.]+) mm ± ([\d.]+) mm", page.inner_text("#figure"))
    assert found is not None
    assert abs(float(found[1]) - true_mm) <= float(found[2]) + 0.002  # two steps of the indicator
    # the shipped limits of end play: good up to 0.003 in, bad above 0.005 in
    expected = "within" if true_mm < 0.0762 else "over" if true_mm > 0.127 else "undecided"
    assert page.inner_text("#verdict-word") == expected
    assert page.get_attribute("#outcome", "data-verdict") == expected
    assert page.locator("#shape path.level").count() >= 3
    assert page.inner_text("[data-last=endplay]") == expected
    assert page.complaints == []
    assert page.hosts == {station.address.removeprefix("http://")}


def test_length_changes_its_unit_at_a_tap_with_the_digits_of_the_step(page):
    assert re.fullmatch(r"−?\d+\.\d{3}", page.inner_text("#digits"))  # 0.001 mm
    page.click("#length")
    page.wait_for_selector("#unit:text-is('in')")
    assert re.fullmatch(r"−?\d+\.\d{5}", page.inner_text("#digits"))  # 0.001 mm is 0.00004 in
    page.click("#length")
    page.wait_for_selector("#unit:text-is('mm')")


def test_german_by_the_browsers_language_and_english_at_a_tap(browser, station):
    context = browser.new_context(locale="de-AT")
    page = context.new_page()
    page.goto(station.address)
    page.wait_for_selector("body[data-link=live]", timeout=LIVE_MS)
    page.wait_for_selector("[data-start=runout] b:text-is('Planlauf')")
    assert page.evaluate("document.documentElement.lang") == "de"
    page.click("#language")
    page.wait_for_selector("[data-start=runout] b:text-is('Run-out')")
    context.close()


def test_foot_switch_sets_index_marks_and_stop_ends_the_run(page):
    page.focus("[data-start=runout]")
    page.keyboard.press("Enter")
    page.wait_for_selector("#mark:focus")
    page.wait_for_timeout(500)
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    page.dispatch_event("#mark", "pointerdown")
    page.wait_for_selector("#count-text:text('3 marks')")
    page.click("#stop")
    page.wait_for_selector("body[data-view=outcome]", timeout=ENOUGH_MS)
    assert page.inner_text("#verdict-word") == "not measurable"
    assert page.locator("#reasons li").count() >= 1


@pytest.mark.parametrize("size", SIZES)
def test_keys_are_large_and_nothing_runs_over_the_edge(page, size):
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    page.wait_for_timeout(100)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for button in page.locator("button:visible").all():
        box = button.bounding_box()
        assert box["height"] >= 48, button.inner_text()
        assert box["width"] >= 48, button.inner_text()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width, button.inner_text()


def test_a_silent_station_is_shown_within_a_second_and_comes_back_by_itself(page, station):
    page.evaluate("window.awayMs = undefined")
    os.kill(station.daemon.pid, signal.SIGSTOP)
    try:
        page.wait_for_selector("body[data-link=away]", timeout=LIVE_MS)
        assert 0 < page.evaluate("window.awayMs - window.heardMs") < 1000
        assert page.inner_text("#link-word") == "not live"
        assert page.is_disabled("[data-start=rest]")
    finally:
        os.kill(station.daemon.pid, signal.SIGCONT)
    page.wait_for_selector("body[data-link=live]", timeout=10_000)
    assert page.is_enabled("[data-start=rest]")


def test_a_daemon_killed_in_a_run_is_seen_and_its_run_is_closed_when_it_is_back(page, station):
    page.click("[data-start=runout]")
    page.wait_for_selector("body[data-view=run]")
    page.wait_for_timeout(300)
    station.daemon.kill()
    station.daemon.wait()
    page.wait_for_selector("body[data-link=away]", timeout=LIVE_MS)
    assert "not answer" in page.inner_text("#link-why")
    station.start_again()
    page.wait_for_selector("body[data-link=live]", timeout=10_000)
    page.wait_for_selector("body:not([data-view=run])", timeout=LIVE_MS)
    page.wait_for_selector("[data-start=runout]:enabled")


SHOW = """async ([verdict, language]) => {
  const { loadWords } = await import("/page/words.js");
  const { showVerdict } = await import("/page/verdict.js");
  await loadWords(language);
  const root = document.getElementById("outcome");
  root.hidden = false;
  document.body.dataset.view = "outcome";
  const result = {
    kind: "endplay", verdict, play_mm: null, limit_mm: null, uncertainty_mm: null, reasons: [],
  };
  showVerdict(root, { run: "shown", result }, "mm", 1000);
  const range = document.createRange();
  range.selectNodeContents(document.getElementById("verdict-word"));
  const [word, box] = [range.getBoundingClientRect(), root.getBoundingClientRect()];
  return [word.left - box.left, box.right - word.right];
}"""


@pytest.mark.parametrize("size", SIZES)
def test_no_verdict_is_cut_in_any_language(page, size):
    page.set_viewport_size(dict(zip(("width", "height"), SIZES[size], strict=True)))
    for language in ("en", "de"):
        for verdict in ("within", "over", "undecided", "not measurable"):
            left, right = page.evaluate(SHOW, [verdict, language])
            assert left >= 0, (language, verdict)
            assert right >= 0, (language, verdict)
