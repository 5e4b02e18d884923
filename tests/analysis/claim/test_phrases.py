"""Every reason has its words in every language, and every sentence of the analysis its translation."""

from __future__ import annotations

import ast
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from analysis.claim.phrases import GAP, pattern_of, phrases_of, translated
from analysis.claim.wording import Wording
from config.path import load_path

ANALYSIS = Path(__file__).parents[3] / "analysis"
MESSAGES = ANALYSIS / "claim" / "messages"
# Calls whose first argument names a reason, and the argument that is a sentence of a result.
SENTENCES = {"Note": 1, "say": 1, "Component": 0}


@cache
def calls() -> tuple[tuple[str, ast.Call], ...]:
    return tuple(_calls())


def _calls() -> Iterator[tuple[str, ast.Call]]:
    for path in sorted(ANALYSIS.rglob("*.py")):
        if "claim" not in path.parts and path.name not in ("comparison.py", "indicator_check.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Call):
                    yield getattr(node.func, "id", getattr(node.func, "attr", "")), node


def literals(node: ast.expr) -> list[str]:
    """What an expression can be, as far as it is written out: figures become 7."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.JoinedStr):
        return ["".join(part.value if isinstance(part, ast.Constant) else "7" for part in node.values)]
    if isinstance(node, ast.IfExp):
        return [*literals(node.body), *literals(node.orelse)]
    return []


def codes() -> set[str]:
    return {text for name, call in calls() if name in ("Note", "say") for text in literals(call.args[0])}


def sentences() -> set[str]:
    found = {
        text
        for name, call in calls()
        if name in SENTENCES and len(call.args) > SENTENCES[name]
        for text in literals(call.args[SENTENCES[name]])
    }
    points = (keyword for name, call in calls() if name == "PointsTo" for keyword in call.keywords)
    found |= {text for keyword in points if keyword.arg == "why" for text in literals(keyword.value)}
    return {text for text in found if any(letter.isalpha() for letter in text)}


def path_texts() -> set[str]:
    """What the shipped path says and lets one answer."""
    steps = load_path()
    answers = {answer for step in steps for answer in step.allowed}
    return {step.do for step in steps} | answers | {why for step in steps for why in step.wrong.values()}


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_reason_has_its_words(language: str) -> None:
    told = tomllib.loads((MESSAGES / f"{language}.toml").read_text("utf-8"))["reason"]
    found = codes()
    assert len(found) > 60
    assert found - told.keys() == set()


def test_every_sentence_has_its_translation() -> None:
    found = sentences() | path_texts()
    assert len(found) > 150
    assert {text for text in found if translated(text, "de") is None} == set()


def test_the_phrase_book_fills_in_what_it_takes_out() -> None:
    for english, german in phrases_of("de"):
        gaps = [str(number) for number in range(len(GAP.findall(english)))]
        assert german.format(*(f"<{gap}>" for gap in gaps)).count("<") == len(gaps), english
        assert all(f"{{{gap}}}" in german for gap in gaps), english
        assert pattern_of(english).fullmatch(GAP.sub("7", english)), english


def test_figures_and_parts_are_translated_with_the_sentence() -> None:
    text = "Only 2 complete strokes seen; 3 or more show how well they repeat."
    assert (
        translated(text, "de")
        == "Nur 2 ganze Hübe gesehen; 3 oder mehr zeigen, wie gut sie sich wiederholen."
    )
    assert translated("No readings came for 0.52 s before reading 41 (3.1 s).", "de") == (
        "Vor Ablesung 41 (3,1 s) kamen 0,52 s lang keine Ablesungen."
    )
    told = translated(
        "0.031 mm of the run-out do not repeat from turn to turn: bearing worn or loose, unless the holder "
        "moved (make a rest check to tell).",
        "de",
    )
    assert told is not None
    assert told.startswith("0,031 mm des Laufs kehren nicht mit jeder Umdrehung wieder: Lager verschlissen")


def test_a_sentence_that_nobody_translated_stays_and_is_named() -> None:
    say = Wording("de", "mm")
    assert say.reason("few_strokes", "Something new.") == "Wenige Hübe: Something new."
    assert say.reason("a_new_code", "Something new.") == "a new code: Something new."
    assert Wording("en", "mm").reason("gap", "No readings.") == "Gap: No readings."
