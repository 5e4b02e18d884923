"""Whatever somebody writes into a field stands on the page as text and as nothing else."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from tests.capture.page.browser.conftest import DRAWN

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
STEP_MS = 40_000
HOSTILE = (
    "<img src=x onerror='window.taken=1'><script>window.taken=2</script>\"'`${1} =1+1 \u202e\U0001f527 {0}"
)
LONG = "W" * 280
WHAT_IT_MADE = """() => ({
  taken: window.taken ?? null,
  elements: document.querySelectorAll("img[src='x'], main script").length,
  wider: document.documentElement.scrollWidth - document.documentElement.clientWidth,
})"""


@pytest.fixture(scope="module")
def job(station: Any) -> str:
    """A job with hostile text wherever one can be written."""
    with httpx.Client(base_url=station.address, timeout=60.0, trust_env=False) as client:
        texts = dict.fromkeys(("technician", "vehicle", "customer", "plate"), HOSTILE)
        wheel = {
            "wheel": "rear left",
            "limits": {"runout": "0.05 mm"},
            "source": HOSTILE,
            "new_part": HOSTILE,
        }
        answer = client.post("/jobs", json={**texts, "complaint": f"{HOSTILE} {LONG}", "wheels": [wheel]})
        assert answer.is_success, answer.text
        name: str = answer.json()["job"]["id"]
        given = {"technician": HOSTILE, "wheel": "rear left", "reason": HOSTILE}
        step = client.post(f"/jobs/{name}/steps/turning/skip", json=given)
        assert step.is_success, step.text
    return name


@pytest.mark.parametrize("size", ["phone", "tablet"])
def test_hostile_text_is_shown_as_it_was_written(tablet: Any, station: Any, job: str, size: str) -> None:
    page = tablet(size)
    wheel = f"#job/{job}/rear%20left"
    for place in ("#job", f"#job/{job}", f"{wheel}/steps/turning", f"{wheel}/findings", "#history"):
        page.goto(f"{station.address}/{place}")
        if place != "#history":
            shown = "text => document.body.innerText.includes(text)"
            page.wait_for_function(shown, arg="onerror='window.taken=1'", timeout=STEP_MS)
        page.evaluate(DRAWN)
        assert page.evaluate(WHAT_IT_MADE) == {"taken": None, "elements": 0, "wider": 0}, place
    assert page.complaints == []
