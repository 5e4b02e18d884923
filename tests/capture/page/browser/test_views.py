"""Every view: by keyboard alone, at three sizes, in two languages, and as accessibility rules want it.

The record holds what `tests.capture.page.record` made from closed forms.
"""

from __future__ import annotations

import re
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe

from analysis.claim.phrases import pattern_of, phrases_of, translated
from tests.analysis.claim.test_phrases import sentences
from tests.capture.page.browser.conftest import DRAWN, SIZES

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
STEP_MS = 40_000
SERIOUS = ("serious", "critical")
# The rules of WCAG 2.0 to 2.2, A and AA, and the checker's own best practices.
AXE_OPTIONS = {"resultTypes": ["violations"]}


@pytest.fixture(scope="module")
def page(tablet: Any) -> Any:
    return tablet()


@pytest.fixture(scope="module")
def places(station: Any) -> dict[str, tuple[str, str]]:
    """Where each view is, and what shows that it stands there."""
    known = station.known
    job = f"#job/{known['job']}/front%20left"
    return {
        "measure": ("#measure", "#checks li"),
        "jobs": ("#job", ".row"),
        "open": ("#job/new", "form"),
        "step": (f"{job}/steps", ".path-step"),
        "findings": (f"{job}/findings", ".decision"),
        "history": ("#history", "#run-rows .row"),
        "run": (f"#history/{known['found']}", ".pictures .past-trace path"),
        "two": (f"#history/{known['found']}/{known['after']}", ".pictures .shape path"),
        "indicators": ("#indicators", ".card"),
    }


def go(page: Any, place: tuple[str, str]) -> None:
    page.evaluate("hash => { location.hash = hash; }", place[0])
    page.wait_for_selector(f".room:not([hidden]) {place[1]}", state="attached", timeout=STEP_MS)


def overflow(page: Any) -> list[str]:
    """Keys smaller than 48 pixels, cut or over the edge, and whether the page can be moved sideways."""
    return page.evaluate("""() => {
      const wide = document.documentElement.clientWidth;
      const found = document.documentElement.scrollWidth > wide ? ["the page runs over its edge"] : [];
      for (const each of document.querySelectorAll(".room:not([hidden]) *")) {
        if (each.getBoundingClientRect().right > wide + 0.5) found.push(`${each.tagName} ${each.className}`);
      }
      for (const each of document.querySelectorAll("button, a, input, select, label.deed")) {
        const box = each.getBoundingClientRect();
        if (!box.width || each.matches(".hidden-file")) continue;
        const name = (each.textContent || each.name).trim().slice(0, 40);
        if (box.height < 48 || box.width < 44) found.push(`${name}: ${box.width} x ${box.height}`);
        const cut = each.matches("button, .deed") && each.scrollWidth > each.clientWidth + 1;
        if (cut) found.push(`${name}: cut`);
        if (box.left < -0.5 || box.right > wide + 0.5) found.push(`${name}: over the edge`);
      }
      return found;
    }""")


@pytest.mark.parametrize("size", SIZES)
def test_keys_are_large_and_nothing_runs_over_the_edge(page: Any, places: Any, size: str) -> None:
    page.set_viewport_size(dict(zip(("width", "height"), SIZES[size], strict=True)))
    for place in places.values():
        go(page, place)
        page.evaluate(DRAWN)
        assert overflow(page) == [], place[0]
    if size == "phone":  # where German, with its long words, is the tightest
        page.click("#language")
        for place in places.values():
            go(page, place)
            page.evaluate(DRAWN)
            assert overflow(page) == [], (place[0], "German")
        page.click("#language")
    assert page.complaints == []


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_serious_finding_of_the_accessibility_checker(page: Any, places: Any, theme: str) -> None:
    page.set_viewport_size({"width": 1280, "height": 800})
    page.emulate_media(color_scheme=theme)
    of_theme = (
        places if theme == "light" else ("measure", "step", "findings", "run")
    )  # the colours differ, no more
    for place in (places[name] for name in of_theme):
        go(page, place)
        found = Axe().run(page, options=AXE_OPTIONS).response["violations"]
        serious = [(each["id"], [node["html"] for node in each["nodes"]][:3]) for each in found
                   if each["impact"] in SERIOUS]  # fmt: skip
        assert serious == [], place[0]
    go(page, places["measure"])
    page.click("#choice")
    found = Axe().run(page, options=AXE_OPTIONS).response["violations"]
    assert [each["id"] for each in found if each["impact"] in SERIOUS] == []
    page.keyboard.press("Escape")


def test_a_run_is_found_by_its_words_and_laid_over_another(page: Any, places: Any, station: Any) -> None:
    go(page, places["history"])
    page.fill("input[type=search]", "thrown front left")
    assert page.locator("#run-rows .row").count() == 1
    page.fill("input[type=search]", "front left run-out")
    assert page.locator("#run-rows .row").count() == 2
    page.click("#run-rows .row >> text=over")
    page.wait_for_selector(".pictures .shape path.turn", state="attached", timeout=STEP_MS)
    # closed form: a swing of 0.090 mm, highest 60 degrees after the mark
    value = re.match(r"([\d.]+) mm", page.inner_text(".outcome .figure"))
    assert value is not None
    assert float(value[1]) == pytest.approx(0.090, abs=0.002)
    high = re.search(r"(\d+)°", page.text_content(".pictures .shape"))
    assert high is not None
    assert int(high[1]) == pytest.approx(60, abs=8)
    assert "near stud 2" in page.text_content(".pictures .shape")  # 72 degrees on, of five studs
    page.click("button:text-is('Lay another over it')")
    page.wait_for_selector("h1:text-is('Lay which run over it?')")
    assert page.locator("#run-rows .row").count() == 1  # the other one of that wheel, not itself
    page.click("#run-rows .row")
    page.wait_for_selector(".both", timeout=STEP_MS)
    assert page.locator(".pictures .shape path.shared").count() == 2
    assert page.locator(".pictures .past-trace path.line").count() == 2
    assert station.known["after"] in page.url


def test_the_indicator_is_checked_at_rest_from_its_card(page: Any, places: Any, station: Any) -> None:
    go(page, places["indicators"])
    card = page.locator(".card")
    assert "0.003 mm" in card.inner_text()  # the permissible error, as described
    card.locator("button:text-is('Check at rest')").click()
    page.wait_for_selector(".card .do:text('Hands off')", timeout=STEP_MS)
    page.wait_for_selector(".card .checks >> text=/Checked: (not )?good/", timeout=STEP_MS)
    (told,) = httpx.get(f"{station.address}/api/indicators", timeout=60).json()
    check = told["last_check"]["check"]
    # a busy machine lets readings come unevenly, and is told so; nothing else speaks against a simulated one
    assert {each["code"] for each in check["reasons"]} <= {"no_pace", "missing", "slow"}
    shown = card.locator(".checks").inner_text()
    assert f"Checked: {'good' if check['passed'] else 'not good'}" in shown
    assert all(each["text"] in shown for each in check["reasons"])


def test_length_changes_its_unit_at_a_tap_with_the_digits_of_the_step(page: Any, places: Any) -> None:
    go(page, places["measure"])
    assert re.fullmatch(r"−?\d+\.\d{3}", page.inner_text("#digits"))  # 0.001 mm
    page.click("#length")
    page.wait_for_selector("#unit:text-is('in')")
    assert re.fullmatch(r"−?\d+\.\d{5}", page.inner_text("#digits"))  # 0.001 mm is 0.00004 in
    page.click("#length")
    page.wait_for_selector("#unit:text-is('mm')")


def test_german_by_the_browsers_language_and_english_at_a_tap(tablet: Any, station: Any) -> None:
    page = tablet(locale="de-AT", place=f"#job/{station.known['job']}/front%20left/steps/turning")
    page.wait_for_selector(".step .do:text-is('Nabe von Hand drehen und fühlen.')", timeout=STEP_MS)
    assert page.evaluate("document.documentElement.lang") == "de"
    assert "rau" in page.inner_text(".step .recorded")
    page.click("#language")
    page.wait_for_selector(".step .do:text-is('Turn the hub by hand and feel.')")


def test_reasons_are_german_as_the_claim_pack_says_them_and_what_nobody_translated_is_marked(
    tablet: Any, station: Any
) -> None:
    page = tablet(locale="de-AT")
    texts = [*sorted(sentences()), "No readings came for 0.52 s before reading 41 (3.1 s).", "Something new."]
    shown = page.evaluate(SENTENCES, texts)
    sources = [pattern_of(english) for english, _ in phrases_of("de", "sources")]  # not shown on the page
    for text, (told, lang) in zip(texts, shown, strict=True):
        if text == texts[-1] or any(each.fullmatch(text) for each in sources):
            assert [told, lang] == [text, "en"]
        else:
            assert [told, lang] == [translated(text, "de"), "de"]
    for text, german in zip(TROUBLES, page.evaluate(TROUBLE, list(TROUBLES)), strict=True):
        assert german == [TROUBLES[text], "de"]
    assert page.evaluate(TROUBLE, ["COM3: something new; do it"]) == [["COM3: something new; do it", "en"]]
    page.goto(f"{station.address}/#history/{station.known['found']}")
    page.wait_for_selector("li[lang=de]:has-text('Einmal je Umdrehung herrscht vor')", timeout=STEP_MS)


def test_by_keyboard_alone_from_the_way_in_to_a_run_that_is_thrown_away(tablet: Any) -> None:
    page = tablet()
    reached = []
    for _ in range(14):  # the order of the focus is that of the eye: header, what is chosen, the keys
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.hash"
                                     " || document.activeElement.dataset.start"))  # fmt: skip
        assert page.evaluate("document.activeElement.matches(':focus-visible')")
        if reached[-1] == "runout":
            break
    order = ["indicator", "#measure", "#job", "#history", "#indicators", "sound", "language", "length"]
    assert reached == [*order, "before", "choice", "rest", "endplay", "runout"]
    page.keyboard.press("Enter")
    page.wait_for_selector("#mark:focus", timeout=STEP_MS)
    page.keyboard.press("Space")
    page.keyboard.press("Enter")  # a foot switch is a keyboard that knows one of these two
    page.wait_for_selector("#count-text:text('2 marks')", timeout=STEP_MS)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "stop"
    page.keyboard.press("Enter")
    page.wait_for_selector("#outcome .verdict-word:not(:text-is(''))", timeout=STEP_MS)
    # taps tell of turns, the readings of none: too near to one another they are no turn; further apart, on a
    # machine that is slow to press keys, it is seen that nothing moved; it is never within
    why = STOOD_STILL[page.inner_text("#outcome .verdict-word")]
    assert why in page.inner_text("#outcome .reasons")
    page.focus("#throw")
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog[open]")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_selector("#say:text-is('Thrown away: The holder moved')", timeout=STEP_MS)
    page.wait_for_selector("#starts button:focus")
    assert page.complaints == []


TROUBLES = {
    "/dev/tty0: is taken by another program (minicom); plug it in again":
        "/dev/tty0: ist von einem anderen Programm belegt (minicom); wieder anstecken",
    "what arrives cannot be read (no number: b'?'); check the wire format in the indicators file":
        "was ankommt, ist nicht lesbar (no number: b'?'); das Format in der Datei der Messtaster prüfen",
    "what arrives cannot be read (x); check the baud rate, parity and the wire format in the indicators file":
        "was ankommt, ist nicht lesbar (x); Baudrate, Parität und Format in der Datei der Messtaster prüfen",
    "step 'nut' cannot be skipped over what was found: a one-use nut was used again: fit a new one":
        "Schritt 'nut' wird nach diesem Befund nicht übersprungen: eine Einmalmutter wurde wieder verwendet: "
        "eine neue aufsetzen",
    "record: not recording: /hub.db: the disk is full; make room, nothing already stored is lost":
        "record: es wird nicht aufgezeichnet: /hub.db: die Festplatte ist voll; Platz schaffen, "
        "Gespeichertes ist nicht verloren",
}  # fmt: skip
TROUBLE = """async (texts) => {
  const { trouble } = await import("/page/words.js");
  return texts.map(trouble);
}"""

STOOD_STILL = {
    "not measurable": "No whole turn could be laid out",
    "undecided": "The readings do not move by more than their noise",
}
SENTENCES = """async (texts) => {
  const { loadWords, sentence } = await import("/page/words.js");
  await loadWords("de");
  return texts.map(sentence);
}"""


SHOW = """async ([verdicts, language]) => {
  const { loadWords } = await import("/page/words.js");
  const { showVerdict } = await import("/page/verdict.js");
  await loadWords(language);
  const root = document.getElementById("outcome");
  root.hidden = false;
  document.body.dataset.view = "outcome";
  return verdicts.map((verdict) => {
    const result = {
      kind: "endplay", verdict, play_mm: null, limit_mm: null, uncertainty_mm: null, reasons: [],
    };
    showVerdict(root, { run: "shown", result }, "mm", 1000);
    const range = document.createRange();
    range.selectNodeContents(root.querySelector(".verdict-word"));
    const [word, box] = [range.getBoundingClientRect(), root.getBoundingClientRect()];
    return [word.left - box.left, box.right - word.right];
  });
}"""


def test_no_verdict_is_cut_in_any_language_at_any_size(tablet: Any) -> None:
    page = tablet()
    for size in SIZES.values():
        page.set_viewport_size(dict(zip(("width", "height"), size, strict=True)))
        for language in ("en", "de"):
            verdicts = ["within", "over", "undecided", "not measurable"]
            for verdict, room in zip(verdicts, page.evaluate(SHOW, [verdicts, language]), strict=True):
                assert min(room) >= 0, (size, language, verdict)
