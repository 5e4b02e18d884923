"""Refusals, link troubles and what the check of an indicator finds have their German, all of them."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.claim.phrases import pattern_of
from capture.api.page import page_files
from tests.analysis.claim.test_phrases import literals

ROOT = Path(__file__).parents[3]
MET_AT_THE_PAGE = {
    "capture": "jobs job_measure job_figures pairing bench checking check_course system supervisor run",
    "analysis": "indicator_check",
    "analysis/record": "jobs job_values keeping photos queries words store database",
    "capture/api": "door pairing jobs page",
    "capture/links": "serial_errors bluetooth_errors bluetooth base",
    "config": "lengths limits torque vin sizes",
}
SOURCES = [f"{folder}/{name}.py" for folder, names in MET_AT_THE_PAGE.items() for name in names.split()]
WITH_TABLES = ("capture/links/bluetooth_errors.py", "capture/api/door.py", "analysis/record/database.py",
               "capture/system.py")  # fmt: skip
KINDS = {"InputError": 0, "LinkError": 0, "StoreError": 0, "PairingError": 0, "Trouble": 9, "Note": 1}
PARTS = ("what", "do", "text")
NOT_MET = re.compile(
    r"7( = 7 is no (text|table)| mm|: 7| 7)?|is taken by 7|.*check 7the wire.*"  # parts: see test_views
    r"|not recording: 7"
    # what only commands and files can be wrong in: the page asks for nothing of that kind
    r"|run number 7 is not being written|step 7 is (a|no) photo|send its bytes.*|photo 7 is not there"
    r"|look at the name.*|unknown quantity 7|nobody is named|see 'hubproof .*|a job cannot be stopped.*"
    r"|limit 7( is incomplete|: good_up_to.*| names no source)|no device is called so"
    r"|several devices are called so|give its id|more than one job"
)


def sentences(path: str) -> Iterator[str]:
    """What the errors, troubles and notes of a source can say, as far as it is written out."""
    tree = ast.parse((ROOT / path).read_text("utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            kind = getattr(node.func, "id", "")
            said = node.args[KINDS[kind] : KINDS[kind] + 1] if kind in KINDS else []
            named = [each.value for each in node.keywords if kind in KINDS and each.arg in PARTS]
            for part in [*said, *named]:
                yield from literals(part)
        elif path in WITH_TABLES and isinstance(node, ast.Assign | ast.Return) and node.value is not None:
            values = node.value.values if isinstance(node.value, ast.Dict) else [node.value]
            tuples = node.value.elts if isinstance(node.value, ast.Tuple) else []
            for part in [
                *values,
                *tuples[2:],
            ]:  # tables of advice; a refusal of the door is (status, code, why)
                yield from (text for text in literals(part) if re.search(r"[a-z]{2} [a-z(]+ ", text))


def book() -> list[tuple[re.Pattern[str], str]]:
    told = json.loads(page_files()["words/trouble.de.json"])
    return [(pattern_of(english), german) for english, german in told.items()]


@pytest.mark.parametrize("path", SOURCES)
def test_every_refusal_and_trouble_has_its_german(path: str) -> None:
    found = {part for text in sentences(path) for part in text.split("; ")}
    told = [pattern for pattern, _ in book()]
    left = {part for part in found if not any(each.fullmatch(part) for each in told)}
    assert {part for part in left if not NOT_MET.fullmatch(part)} == set()
