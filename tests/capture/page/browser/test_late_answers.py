"""What a person has begun stays as it is when an answer of the station comes late."""

from __future__ import annotations

import re
from typing import Any

import pytest

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
STEP_MS = 40_000
LIST = re.compile(r"/jobs\?")


@pytest.fixture
def page(tablet: Any) -> Any:
    return tablet()


def test_the_sheet_of_a_vehicle_keeps_what_is_written_when_the_list_of_jobs_comes_late(page: Any) -> None:
    held: list[Any] = []
    page.route(LIST, lambda route: held.append(route))
    page.click("#rooms a[href='#job']")
    page.click("a[href='#job/new']")
    page.fill("[name=vehicle]", "Invented van")
    page.fill("[name=limit_endplay]", "0.07 mm")
    page.click("[data-wheel='front right']")
    with page.expect_response(LIST, timeout=STEP_MS):
        held.pop().continue_()
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert page.input_value("[name=vehicle]") == "Invented van"
    assert page.get_attribute("[data-wheel='front right']", "aria-pressed") == "true"

    page.click("#language")  # drawn anew, in the other language
    page.wait_for_selector("h1:text-is('Auftrag anlegen')", timeout=STEP_MS)
    assert page.input_value("[name=vehicle]") == "Invented van"
    assert page.input_value("[name=limit_endplay]") == "0.07 mm"
    assert page.get_attribute("[data-wheel='front right']", "aria-pressed") == "true"
    page.click("a.quiet[href='#job']")  # given up: the next sheet is blank
    page.click("a[href='#job/new']")
    assert page.input_value("[name=vehicle]") == ""
