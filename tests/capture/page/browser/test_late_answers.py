"""What a person has begun stays as it is when an answer comes late or another tablet does something."""

from __future__ import annotations

import re
import time
from typing import Any

import httpx
import pytest

from tests.capture.page.browser.conftest import DRAWN

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
STEP_MS = 40_000
LIST = re.compile(r"/jobs\?")
FOCUSED = """() => {
  const on = document.activeElement;
  return [on.dataset.written || on.dataset.key || on.name || on.id, on.selectionStart ?? null];
}"""


class Held:
    """The next answer to what matches `pattern` is kept back until it is let go; those after it are not."""

    def __init__(self, page: Any, pattern: re.Pattern[str]) -> None:
        self._page, self._pattern, self._route = page, pattern, None
        page.route(pattern, self._hold, times=1)

    def _hold(self, route: Any) -> None:
        self._route = route

    def wait(self) -> Any:
        give_up = time.monotonic() + STEP_MS / 1000
        while self._route is None:
            assert time.monotonic() < give_up, f"nobody asked for {self._pattern.pattern}"
            self._page.evaluate("0")  # what the browser says is heard meanwhile
        return self._route

    def let_go(self) -> None:
        """Until the page has drawn what was answered."""
        self.wait()
        with self._page.expect_response(self._pattern, timeout=STEP_MS) as coming:
            self._route.continue_()
        coming.value.finished()
        self._page.evaluate(DRAWN)


@pytest.fixture(scope="module")
def page(tablet: Any) -> Any:
    page = tablet()
    page.evaluate("localStorage.setItem('technician', 'A. Example')")
    return page


@pytest.fixture(scope="module")
def other(station: Any) -> Any:
    """Another device at the same station."""
    each_anew = {"Connection": "close"}  # the station lets go of a connection that rests, at any moment
    with httpx.Client(base_url=station.address, timeout=60.0, trust_env=False, headers=each_anew) as client:
        yield client


def ask(other: httpx.Client, method: str, path: str, **body: Any) -> Any:
    answer = other.request(method, path, json=body or None)
    assert answer.is_success, answer.text
    return answer.json() if answer.content else None


def answered(other: httpx.Client, station: Any, wheel: str, step: str, text: str) -> None:
    given = {"technician": "B. Example", "wheel": wheel, "answer": text}
    ask(other, "POST", f"/jobs/{station.known['job']}/steps/{step}", **given)


def wait_ended(other: httpx.Client, run: str) -> None:
    give_up = time.monotonic() + STEP_MS / 1000
    while not (record := ask(other, "GET", f"/runs/{run}"))["results"] or record["progress"]:
        assert time.monotonic() < give_up, record["summary"]
        time.sleep(0.1)


def test_the_sheet_of_a_vehicle_keeps_what_is_written_when_the_list_of_jobs_comes_late(page: Any) -> None:
    late = Held(page, LIST)
    page.click("#rooms a[href='#job']")
    late.wait()
    page.click("a[href='#job/new']")
    page.fill("[name=vehicle]", "Invented van")
    page.fill("[name=limit_endplay]", "0.07 mm")
    page.click("[data-wheel='front right']")
    late.let_go()
    assert page.input_value("[name=vehicle]") == "Invented van"
    assert page.get_attribute("[data-wheel='front right']", "aria-pressed") == "true"

    page.click("#language")  # drawn anew, in the other language
    page.wait_for_selector("h1:text-is('Auftrag anlegen')", timeout=STEP_MS)
    assert page.input_value("[name=vehicle]") == "Invented van"
    assert page.input_value("[name=limit_endplay]") == "0.07 mm"
    assert page.get_attribute("[data-wheel='front right']", "aria-pressed") == "true"
    page.click("#language")
    page.wait_for_selector("h1:text-is('Open a job')", timeout=STEP_MS)


def test_a_key_pressed_twice_while_the_station_thinks_opens_one_job(page: Any) -> None:
    sent = []
    page.on("request", lambda request: request.method == "POST" and sent.append(request.url))
    page.click("form button[type=submit]")  # refused: a limit needs its source
    page.wait_for_selector("#link-why:has-text('source')", timeout=STEP_MS)
    page.fill("[name=source]", "invented manual, page 2")
    sent.clear()
    late = Held(page, re.compile(r"/jobs$"))
    page.click("form button[type=submit]")
    page.click("form button[type=submit]")
    late.let_go()
    page.wait_for_selector("h1:text-is('Invented van')", timeout=STEP_MS)
    assert [url.rpartition("/")[2] for url in sent] == ["jobs"]
    page.click("#rooms a[href='#job']")  # the next sheet is blank
    page.click("a[href='#job/new']")
    assert page.input_value("[name=vehicle]") == ""


def test_a_step_keeps_what_is_written_when_the_job_comes_late_and_changed(
    page: Any, other: Any, station: Any
) -> None:
    answered(other, station, "front right", "replace", "yes")  # so that there are numbers to write down
    way = f"#job/{station.known['job']}/front%20right/steps"
    page.goto(f"{station.address}/{way}/turning")
    page.wait_for_selector(".path-step[href$='/setting_ring']", timeout=STEP_MS)
    late = Held(page, re.compile(rf"/jobs/{station.known['job']}$"))
    page.click(".path-step[href$='/setting_ring']")
    late.wait()
    page.fill(".entry input", "72.004")
    page.select_option(".entry select", "in")
    page.focus(".entry input")
    page.keyboard.press("Home")
    moved = page.evaluate("document.querySelector('.path').scrollTop = 120")
    answered(other, station, "front right", "seal", "damaged")
    late.let_go()
    page.wait_for_selector(".path-step.done[href$='/seal']", timeout=STEP_MS)  # it was drawn anew
    assert page.input_value(".entry input") == "72.004"
    assert page.input_value(".entry select") == "in"
    focused, caret = page.evaluate(FOCUSED)
    assert focused.endswith("setting_ring")
    assert caret == 0
    assert page.evaluate("document.querySelector('.path').scrollTop") == moved

    run = ask(other, "POST", "/runs", kind="endplay")["run"]  # the other tablet measures: a hub comes first
    page.wait_for_selector("body[data-view=run]", timeout=STEP_MS)
    ask(other, "POST", f"/runs/{run}/stop")
    page.wait_for_selector("body:not([data-view=run])", timeout=STEP_MS)
    page.evaluate("way => { location.hash = way; }", f"{way}/setting_ring")
    page.wait_for_selector(".entry input", timeout=STEP_MS)
    assert page.input_value(".entry input") == "72.004"
    page.click("#language")
    page.wait_for_selector("button:text-is('Eintragen')", timeout=STEP_MS)
    assert page.input_value(".entry input") == "72.004"
    page.click("#language")
    page.select_option(".entry select", "mm")
    page.click("button:text-is('Record')")
    page.wait_for_selector(".path-step.done[href$='/setting_ring']", timeout=STEP_MS)
    page.click(".path-step[href$='/setting_ring']")
    page.wait_for_selector(".recorded:has-text('72.004 mm')", timeout=STEP_MS)
    assert page.input_value(".entry input") == ""  # it was sent


def test_a_reason_for_skipping_stays_with_the_refusal_until_it_is_taken(
    page: Any, other: Any, station: Any
) -> None:
    page.goto(f"{station.address}/#job/{station.known['job']}/front%20right/steps/bore_clean")
    page.click("button:text-is('Skip')", timeout=STEP_MS)
    page.fill("dialog input", "bore is done elsewhere")
    late = Held(page, re.compile(r"/skip$"))
    page.keyboard.press("Enter")
    answered(other, station, "front right", "turning", "rough")
    full = {"kind": "StoreError", "what": "the disk is full", "do": "make room"}
    late.wait().fulfill(status=503, json={"error": full})
    page.wait_for_selector("dialog .problem:text-is('the disk is full; make room')", timeout=STEP_MS)
    assert page.input_value("dialog input") == "bore is done elsewhere"
    page.click("dialog .deed")
    page.wait_for_selector(".path-step.skipped[href$='/bore_clean']", timeout=STEP_MS)
    assert page.locator("dialog[open]").count() == 0


def test_findings_stay_where_they_were_moved_to_and_keep_the_focus(
    page: Any, other: Any, station: Any
) -> None:
    page.goto(f"{station.address}/#job/{station.known['job']}/front%20left/steps")
    page.set_viewport_size({"width": 390, "height": 600})
    page.wait_for_selector(".tab >> text=Findings", timeout=STEP_MS)
    late = Held(page, re.compile(rf"/jobs/{station.known['job']}$"))
    page.click(".tab >> text=Findings")
    late.wait()
    page.focus("#claim")
    page.evaluate("document.querySelector('#claim').scrollIntoView()")
    moved = page.evaluate("scrollY")
    assert moved > 0
    answered(other, station, "front left", "seal", "damaged")
    late.let_go()
    page.wait_for_selector(".decision:has-text('Seal: damaged.')", state="attached", timeout=STEP_MS)
    assert page.evaluate(FOCUSED)[0] == "claim"
    assert page.evaluate("scrollY") == pytest.approx(moved, abs=60)  # a line above may be longer now
    page.set_viewport_size({"width": 1280, "height": 800})


def test_a_search_goes_on_when_the_list_of_runs_comes_late(page: Any) -> None:
    page.reload()  # the list was never asked for
    page.wait_for_selector("body[data-link=live]", timeout=STEP_MS)
    late = Held(page, re.compile(r"/runs\?"))
    page.click("#rooms a[href='#history']")
    late.wait()
    page.fill("input[type=search]", "front left thrwn")
    for key in ("ArrowLeft", "ArrowLeft"):
        page.keyboard.press(key)
    late.let_go()
    page.wait_for_selector(".room:not([hidden]) #run-rows", state="attached", timeout=STEP_MS)
    page.keyboard.type("o")  # goes on where the caret stood
    assert page.input_value("input[type=search]") == "front left thrown"
    assert page.locator("#run-rows .row").count() == 1


def test_the_focus_stays_on_the_key_of_an_indicator_that_is_told_anew(page: Any) -> None:
    page.click("#rooms a[href='#indicators']")
    page.wait_for_selector(".card [data-key^=blocks]:enabled", timeout=STEP_MS)
    page.focus(".card [data-key^=use]")
    late = Held(page, re.compile(r"/api/indicators$"))
    page.click("#rooms a[href='#measure']")
    page.click("#rooms a[href='#indicators']")
    page.wait_for_selector(".card [data-key^=use]", timeout=STEP_MS)  # seen: what is hidden takes no focus
    page.focus(".card [data-key^=use]")
    route = late.wait()
    cards = route.fetch().json()
    route.fulfill(json=[{**each, "serial_number": "changed-1"} for each in cards])
    page.wait_for_selector(".card dd:text-is('changed-1')", timeout=STEP_MS)
    assert page.evaluate(FOCUSED)[0] == "use bench"
    page.click(".card [data-key^=check]")
    page.wait_for_selector(".card .do:text('Hands off')", timeout=STEP_MS)
    page.click(".card [data-key^=stop]")
    page.wait_for_selector(".card [data-key^=check]", timeout=STEP_MS)


def test_a_choice_stays_when_the_list_of_vehicles_comes_late(page: Any) -> None:
    page.click("#rooms a[href='#measure']")
    late = Held(page, LIST)
    page.click("#choice")
    page.click("dialog .answer:has(b:text-is('rear left'))")
    limit = page.locator("dialog input[inputmode=decimal]").first
    limit.fill("0.04")
    late.let_go()
    page.wait_for_selector("dialog option:has-text('Invented estate')", state="attached", timeout=STEP_MS)
    assert limit.input_value() == "0.04"
    assert page.evaluate("document.activeElement.value") == "0.04"
    assert page.get_attribute("dialog .answer:has(b:text-is('rear left'))", "aria-checked") == "true"
    page.click("dialog .deed")
    page.wait_for_selector("#choice b:text-is('rear left')", timeout=STEP_MS)


def test_a_reason_goes_to_the_run_that_it_was_written_for(page: Any, other: Any) -> None:
    """While it is written, another tablet begins the next run."""
    first = ask(other, "POST", "/runs", kind="endplay")["run"]
    page.wait_for_selector("body[data-view=run]", timeout=STEP_MS)
    ask(other, "POST", f"/runs/{first}/stop")
    page.click("#throw", timeout=STEP_MS)
    page.fill("dialog input", "the bench was knocked")
    second = ask(other, "POST", "/runs", kind="endplay")["run"]
    page.wait_for_selector("body[data-view=run]", state="attached", timeout=STEP_MS)
    assert page.input_value("dialog input") == "the bench was knocked"
    assert page.evaluate("document.activeElement.value") == "the bench was knocked"
    ask(other, "POST", f"/runs/{second}/stop")
    wait_ended(other, second)
    page.wait_for_selector("body[data-view=outcome]", state="attached", timeout=STEP_MS)
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog:not([open])", state="attached", timeout=STEP_MS)
    said = ask(other, "GET", f"/runs/{first}")["said"]
    assert [(each["word"], each["reason"]) for each in said] == [("thrown away", "the bench was knocked")]
    assert ask(other, "GET", f"/runs/{second}")["said"] == []
    page.click("#throw")
    page.click("dialog .answer >> nth=0")
    page.wait_for_selector("#say:text-is('Thrown away: The holder moved')", timeout=STEP_MS)
    refused = ("400 (Bad Request)", "503 (Service")  # of the tests above: the browser tells of them
    assert [each for each in page.complaints if not any(one in each for one in refused)] == []
