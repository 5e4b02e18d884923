"""What the door serves of the page: files, headers, weight, words; no browser needed."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

import capture
from analysis.claim.phrases import pattern_of
from capture.api.app import create_app
from capture.api.page import BOOK, POLICY, lean, page_files, policy_at
from capture.bench import Bench
from capture.check_course import CheckCourse
from capture.check_messages import CheckRequest
from capture.course import Course, Seen
from capture.reading import Reading
from config.path import load_path
from tests.analysis.claim.test_phrases import literals
from tests.capture.helpers import indicator
from tests.capture.page.record import fill

HEAVIEST_BYTES = 150_000
TEXT = (".js", ".html", ".css", ".json", ".svg", ".webmanifest")
ADDRESS = "http://127.0.0.1:4870"


@pytest.fixture
async def client(tmp_path: Path) -> Iterator[httpx.AsyncClient]:
    async with Bench(tmp_path, (), ()) as bench:
        transport = httpx.ASGITransport(app=create_app(bench))
        async with httpx.AsyncClient(transport=transport, base_url=ADDRESS) as client:
            yield client


def words(language: str) -> dict:
    return json.loads(page_files()[f"words/{language}.json"])


def source() -> str:
    return "\n".join(body.decode() for name, body in page_files().items() if name.endswith((".js", ".html")))


async def test_the_page_and_everything_it_names_is_served_with_a_strict_policy(client):
    page = await client.get("/")
    assert page.headers["content-type"].startswith("text/html")
    named = set(re.findall(r'(?:href|src)="(/page/[^"]+)"', page.text))
    for name, body in page_files().items():
        if name.endswith(".js"):
            named |= {f"/page/{each}" for each in re.findall(r'from "\./([^"]+)"', body.decode())}
    named |= {f"/page/words/{language}.json" for language in ("en", "de")}
    named |= {"/page/words/path.de.json"} | {
        icon["src"] for icon in json.loads(page_files()["station.webmanifest"])["icons"]
    }
    assert len(named) >= 14
    for path in sorted(named):
        answer = await client.get(path)
        assert answer.status_code == 200, path
        assert (
            answer.headers["content-security-policy"] == f"{POLICY}; connect-src 'self' ws://127.0.0.1:4870"
        )
        assert answer.headers["x-content-type-options"] == "nosniff"
    assert "unsafe" not in POLICY
    assert "default-src 'self'" in POLICY


@pytest.mark.parametrize("host", ["", "[::1]:4870", "localhost:1; script-src *", "a b", "localhost,evil"])
def test_a_host_of_other_letters_adds_nothing_to_the_policy(host):
    assert policy_at(host) == POLICY


@pytest.mark.parametrize(
    "path", ["nothing.js", "../api/app.py", "%2e%2e/__init__.py", "words/..%2f..%2fbench.py", ""]
)
async def test_no_path_leads_out_of_the_page(client, path):
    assert (await client.get(f"/page/{path}")).status_code == 404


async def test_the_whole_page_is_light_as_it_travels(client):
    """All that the page in German, the heavier one, asks for, icons too; what English unpacks to."""
    asked = {"accept-encoding": "gzip"}
    travelled = 0
    for name in set(page_files()) - {"words/en.json"}:
        async with client.stream("GET", f"/page/{name}", headers=asked) as answer:
            travelled += sum([len(part) async for part in answer.aiter_raw()])
    assert travelled < HEAVIEST_BYTES / 2
    apart = (
        "words/de.json",
        "words/path.de.json",
        "words/trouble.de.json",
        BOOK,
        "book.js",
        "icon-180.png",
    )  # another language; asked when it is installed
    english = [body for name, body in page_files().items() if name not in apart]
    assert sum(map(len, english)) < HEAVIEST_BYTES


async def test_a_file_is_the_same_packed_and_plain(client):
    plain = await client.get("/page/main.js", headers={"accept-encoding": "identity"})
    packed = await client.get("/page/main.js", headers={"accept-encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert plain.content == packed.content == page_files()["main.js"]


def test_what_travels_says_the_same_as_what_was_written():
    """Without indentation and lines of comment it is the same where no text goes on over a line's end."""
    for file in (Path(capture.__file__).parent / "page").glob("**/*"):
        if file.suffix not in (".js", ".json"):
            continue
        text = file.read_text("utf-8")
        served = lean(file.name, text.encode()).decode()
        if file.suffix == ".js":
            assert all(line.count("`") % 2 == 0 for line in text.splitlines()), file.name
            kept = [line for line in text.splitlines() if line.strip()[:2] not in ("", "//")]
            assert [line.split() for line in served.splitlines()] == [line.split() for line in kept]
        else:
            assert json.loads(served) == json.loads(text)


def test_no_other_host_is_named_and_nothing_is_inline():
    for name, body in page_files().items():
        if not name.endswith(TEXT):
            continue
        hosts = {each for each in re.findall(r"(?:https?:)?//[\w.-]+\.\w+", body.decode()) if "://" in each}
        assert hosts <= {"http://www.w3.org"}, name  # the name of SVG, never fetched
    html = page_files()["index.html"].decode()
    assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*\ssrc=)", html)


def test_both_languages_have_the_same_words_with_the_same_gaps():
    english, german = words("en"), words("de")
    assert set(english) == set(german)
    for key, text in english.items():
        if isinstance(text, str):
            assert set(re.findall(r"\{\w+\}", text)) == set(re.findall(r"\{\w+\}", german[key])), key
            assert german[key].strip(), key


def test_every_word_that_the_page_asks_for_is_there():
    asked = set(re.findall(r'\bword\("([^"]+)"', source())) | set(
        re.findall(r'data-(?:word|label)="([^"]+)"', source())
    )
    assert len(asked) > 30
    assert asked <= set(words("en"))
    kinds = ("rest", "endplay", "runout", "bore")
    from analysis.decisions import DecidedPart
    from analysis.record import Stage, Wheel
    from analysis.record.keeping import Word
    from analysis.results import Part, Verdict
    from capture.job_models import DecisionOut, StepStateWord
    from capture.messages import LinkState
    from capture.set_up import Point

    told = {*Verdict.__args__, *LinkState.__args__, *(f"part_{part}" for part in Part.__args__)}
    told |= {f"kind_{kind}" for kind in kinds} | {f"begin_{kind}" for kind in kinds}
    told |= {f"wheel_{wheel}" for wheel in Wheel.__args__} | {f"stage_{stage}" for stage in Stage.__args__}
    told |= {f"part_{part}" for part in DecidedPart.__args__} | {f"said_{each}" for each in Word.__args__}
    how = ("good", "bad", "unknown")
    told |= {f"check_{point}_{each}" for point in Point.__args__ for each in how} - {"check_link_unknown"}
    told |= {f"action_{action}" for action in DecisionOut.model_fields["action"].annotation.__args__}
    told |= {f"step_{each}" for each in StepStateWord.__args__ if each != "not asked"}
    assert told <= set(words("en"))


def sentences() -> set[str]:
    """What a course can say, by driving it through every state."""
    said = set()
    for kind in ("rest", "endplay", "runout", "bore", "trace"):
        for moving in (None, False, True):
            for count in (None, 0.0, 1.4, 3.0, 3.4):
                for first_s in (None, 0.5):
                    for times in ((1.0,), (1.0, 2.0, 400.0), (400.0,)):
                        course = Course(kind, 3.0)
                        for now_s in times:
                            said.add(course.step(Seen(now_s, first_s, moving, count)).say)
                            said.add(course.step(Seen(now_s + 0.1, first_s, True, None)).say)
                            said.add(course.step(Seen(now_s + 0.2, first_s, False, count)).say)
    return said | {"Stopped.", "The run was interrupted; what was read is kept."} | check_sentences()


def check_sentences() -> set[str]:
    """What the check of an indicator says: at rest, with blocks, with another than the one asked for."""
    described = indicator()
    said = set()
    for blocks in ((), ("1 mm", "2 mm", "5 mm")):
        course = CheckCourse(described, CheckRequest(rest_s=2, blocks=blocks), 0)
        for place, nm in enumerate((0, 0, 0, 2_500_000, 1_000_000)):
            for i in range(60):
                t_ns = (place * 60 + i) * 50_000_000
                knocked_nm = 900_000 if t_ns == 2_000_000_000 else 0  # as the rest is over
                course.take([Reading(t_ns, nm + knocked_nm, "mm", None, None)])
                said.add(course.step(t_ns).say)
    return said


def test_every_sentence_of_the_shipped_path_is_put_into_german():
    german = json.loads(page_files()["words/path.de.json"])
    told = {"yes", "no"}
    for step in load_path():
        told |= {step.stage, step.do, step.caution, *step.choices, *step.wrong.values()} - {""}
    assert told - set(german) == set()
    assert all(text.strip() for text in german.values())


def test_every_sentence_of_a_course_is_put_into_german():
    patterns = [re.compile(pattern) for pattern, _ in words("de")["say_patterns"]]
    said = sentences()
    assert len(said) >= 16
    assert [each for each in said if not any(pattern.search(each) for pattern in patterns)] == []
    assert [p.pattern for p in patterns if not any(p.search(each) for each in said)] == []


async def test_a_run_out_over_the_limit_has_english_reasons_and_the_page_is_served_the_german_ones(tmp_path):
    known = fill(tmp_path)
    async with Bench(tmp_path, (), ()) as bench:
        transport = httpx.ASGITransport(app=create_app(bench))
        async with httpx.AsyncClient(transport=transport, base_url=ADDRESS) as client:
            result = (await client.get(f"/runs/{known['found']}")).json()["results"][-1]
            book = (await client.get(f"/page/{BOOK}")).json()
    assert result["verdict"] == "over"
    why = next(each["why"] for each in result["points_to"] if each["part"] == "flange")
    assert why.startswith("Once per turn rules (")
    (german,) = [told for english, told in book if pattern_of(english).fullmatch(why)]
    assert german.startswith("Einmal je Umdrehung herrscht vor ({0}): der Flansch steht nicht rechtwinklig")
    for text in [each["text"] for each in result["reasons"]]:
        assert any(pattern_of(english).fullmatch(text) for english, _ in book), text


ANSWERED = {  # sentences with an answer of the path in them
    "It turns 7.": ("It turns rough.", "It turns stiff."),
    "Seal: 7.": ("Seal: damaged.", "Seal: grease lost."),
    "End play is within its limit7.": (
        "End play is within its limit.",
        "End play is within its limit; it turns smoothly.",
    ),
}


def decided_and_warned() -> set[str]:
    """The sentences in the sources of decisions and warnings, descriptions of functions left out."""
    found = set()
    for name in ("analysis/decisions.py", "capture/warnings.py"):
        tree = ast.parse((Path(__file__).parents[3] / name).read_text("utf-8"))
        described = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant | ast.JoinedStr) and id(node) not in described:
                found |= {
                    text for text in literals(node) if re.fullmatch(r"[A-Z].+ .+[.?]|[A-Z].+: .+", text)
                }
    return {each for text in found for each in ANSWERED.get(text, (text,))}


def test_every_sentence_of_a_decision_and_of_a_warning_is_in_the_book():
    book = [pattern_of(english) for english, _ in json.loads(page_files()[BOOK])]
    found = decided_and_warned()
    assert len(found) > 35
    assert {text for text in found if not any(each.fullmatch(text) for each in book)} == set()


async def test_every_path_that_the_page_asks_exists(client):
    script = page_files()["station.js"].decode()
    asked = re.findall(r'ask\("(GET|POST|DELETE)", ["`](/[^"`]+)["`]', script)
    assert len(asked) == len(re.findall(r"\bask\(", script)) - 1  # all but its definition
    paths = (await client.get("/openapi.json")).json()["paths"]
    known = {re.sub(r"\{\w+\}", "{}", path): set(methods) for path, methods in paths.items()}
    for method, path in asked:
        plain = re.sub(r"\$\{(?:of\()?\w+\)?\}", "{}", path.partition("?")[0])
        assert method.lower() in known[plain], (method, path)


def contrast(first: str, second: str) -> float:
    """WCAG 2.2, definition of contrast ratio and of relative luminance."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_text_has_the_contrast_that_wcag_asks_for_in_both_themes():
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    themes = re.findall(r":root \{([^}]+)\}", page_files()["page.css"].decode())
    assert len(themes) == 2
    for theme in themes:
        colour = dict(re.findall(r"--([\w-]+): (#\w{6})", theme))
        for text in ("ink", "soft", "deed", "within", "over", "undecided", "unmeasured"):
            for ground in ("ground", "raised"):
                assert contrast(colour[text], colour[ground]) >= 4.5, (text, ground)  # 1.4.3, AA
        assert contrast(colour["on-deed"], colour["deed"]) >= 4.5
        for line in ("trace", "hold"):
            assert contrast(colour[line], colour["raised"]) >= 3.0  # 1.4.11, AA
