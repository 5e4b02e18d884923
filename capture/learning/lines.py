"""Proposes a format of text lines from what was heard. Pure.

The pattern is as strict as the lines were alike: a line that was never seen is better called unreadable
than taken for a value of another unit or state.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Any

TERMINATORS = ("\r\n", "\n\r", "\n", "\r", ";")
NUMBER = re.compile(r"[+-]? *(?:\d+[.,]\d*|[.,]\d+|\d+)(?:[eE][+-]?\d+)?")
UNITS = {"millimeter": "mm", "micron": "um", "inch": "in", "mm": "mm", "um": "um", "in": "in", '"': "in"}
FEWEST_LINES = 3
PRINTABLE = frozenset(range(0x20, 0x7F)) | {0x09, 0x0A, 0x0D}
TEXT_SHARE = 0.98
LONGEST = 200


def is_text(data: bytes) -> bool:
    """Whether nearly all bytes are printable ASCII, as at a right baud rate."""
    return bool(data) and sum(byte in PRINTABLE for byte in data) >= TEXT_SHARE * len(data)


def propose_lines(data: bytes) -> dict[str, Any] | None:
    """The keys of a `LinesFormat` for a stream of lines, or None when it is no such stream.

    Without a unit in the lines the key ``unit`` is missing: a known length has to tell it.
    """
    if not is_text(data):
        return None
    text = data.decode("latin-1")
    terminator = next((end for end in TERMINATORS if text.count(end) >= FEWEST_LINES), None)
    if terminator is None:
        return None
    lines = [line for line in text.split(terminator)[1:-1] if line.strip("\r\n\0 ")]
    return propose_from(lines, terminator)


def propose_from(lines: Sequence[str], terminator: str) -> dict[str, Any] | None:
    """The same from whole lines, as answers to a query are."""
    lines = _alike(lines)
    if len(lines) < FEWEST_LINES or max(map(len, lines)) > LONGEST:
        return None
    numbers = [list(NUMBER.finditer(line)) for line in lines]
    place = _value_place(numbers)
    if place is None:
        return None
    values = [found[place] for found in numbers]
    before = [line[: value.start()] for line, value in zip(lines, values, strict=True)]
    after = [line[value.end() :] for line, value in zip(lines, values, strict=True)]
    unit, rest, units = _unit(after)
    status, bad = _status(rest)
    value = _value_pattern([found.group() for found in values], strict=not unit)
    form: dict[str, Any] = {
        "kind": "lines",
        "pattern": f"{_fixed(before, head=True)}(?P<value>{value}){unit}{status}",
        "example": lines[-1] if not bad else next(line for line in lines if not line.endswith(tuple(bad))),
        "terminator": terminator,
        **({"units": units} if units else {}),
        **({"status_bad": bad} if bad else {}),
    }
    whole = re.compile(form["pattern"])
    return form if all(whole.fullmatch(line) for line in lines) else None


def _alike(lines: Sequence[str]) -> list[str]:
    """The lines with the usual count of numbers; a few others may be torn, or a greeting."""
    if not lines:
        return []
    counts = Counter(len(NUMBER.findall(line)) for line in lines)
    usual, often = counts.most_common(1)[0]
    if usual == 0 or often < 0.8 * len(lines):
        return []
    return [line for line in lines if len(NUMBER.findall(line)) == usual]


def _value_place(numbers: Sequence[Sequence[re.Match[str]]]) -> int | None:
    """Which of the numbers is the value: one with decimals rather than without, the one that varies most."""
    places = range(len(numbers[0]))

    def weight(place: int) -> tuple[bool, int]:
        texts = [found[place].group() for found in numbers]
        return any("." in text or "," in text for text in texts), len(set(texts))

    return max(places, key=weight, default=None)


def _fixed(texts: Sequence[str], *, head: bool = False) -> str:
    """What stands beside the value: as it is, with numbers in it left open; blanks before the value free."""
    bare = [text.rstrip(" ") if head else text for text in texts]
    shapes = {re.sub(r"\d+", "\0", text) for text in bare}
    pattern = "|".join(sorted(re.escape(shape).replace("\0", r"\d+") for shape in shapes))
    pattern = f"(?:{pattern})" if len(shapes) > 1 else pattern
    return pattern + (" *" if head and any(text.endswith(" ") or not text for text in texts) else "")


def _unit(after: Sequence[str]) -> tuple[str, list[str], dict[str, str]]:
    """The pattern of the unit behind the value, what is left behind it, and what the texts mean.

    The other unit of the same spelling is allowed too: the indicator may be switched.
    """
    found = [_unit_at(text) for text in after]
    if any(each is None for each in found):
        return "", list(after), {}
    parts = [each for each in found if each is not None]
    said = {unit for _, unit, _ in parts}
    units = {text: UNITS[text.lower()] for text in said}
    if said <= {"mm", "in"}:
        units = {"mm": "mm", "in": "in"}
    elif said <= {"MM", "IN"}:
        units = {"MM": "mm", "IN": "in"}
    blanks = {blank for blank, _, _ in parts}
    gap = re.escape(blanks.pop()) if len(blanks) == 1 else " *"
    pattern = "|".join(re.escape(text) for text in sorted(units, key=len, reverse=True))
    return f"{gap}(?P<unit>{pattern})", [rest for _, _, rest in parts], units


def _unit_at(text: str) -> tuple[str, str, str] | None:
    bare = text.lstrip(" ")
    for unit in UNITS:
        if bare.lower().startswith(unit) and not bare[len(unit) : len(unit) + 1].isalpha():
            return text[: len(text) - len(bare)], bare[: len(unit)], bare[len(unit) :]
    # one letter of status may touch the unit: "mmH"
    for unit in ("mm", "in", "MM", "IN"):
        if bare.startswith(unit) and len(bare) == len(unit) + 1:
            return text[: len(text) - len(bare)], unit, bare[len(unit) :]
    return None


def _status(rest: Sequence[str]) -> tuple[str, dict[str, str]]:
    """What follows: fixed when it never changed, else a status of which only the usual one is good."""
    counts = Counter(rest)
    if len(counts) == 1:
        return re.escape(rest[0]), {}
    if any(re.search(r"\d", text) for text in counts):
        return _fixed(rest), {}
    usual = counts.most_common(1)[0][0]
    bad = {text: f"the indicator says {text.strip() or 'nothing'!r}" for text in counts if text != usual}
    return f"(?P<status>{'|'.join(re.escape(text) for text in counts)})", bad


def _value_pattern(texts: Sequence[str], *, strict: bool) -> str:
    """The numbers as they were written; with `strict` also their decimals, which tell units apart."""
    signs = {text[0] if text[0] in "+-" else "" for text in texts}
    sign = "[+-]" if signs <= {"+", "-"} else "-?" if signs <= {"-", ""} else "[+-]?"
    gap = " *" if any(" " in text for text in texts) else ""
    bare = [text.lstrip("+- ") for text in texts]
    exponent = r"[eE][+-]?\d+" if any(re.search("[eE]", text) for text in bare) else ""
    mantissas = [re.split("[eE]", text)[0] for text in bare]
    points = {character for text in mantissas for character in text if character in ".,"}
    if not points:
        return rf"{sign}{gap}\d+{exponent}"
    point = "[.,]" if len(points) > 1 else re.escape(points.pop())
    wholes, decimals = zip(*(re.split("[.,]", text + "." * (not re.search("[.,]", text)), maxsplit=1)
                             for text in mantissas), strict=True)  # fmt: skip
    whole = r"\d*" if any(not part for part in wholes) else r"\d+"
    widths = {len(part) for part in decimals}
    decimal = rf"\d{{{widths.pop()}}}" if strict and len(widths) == 1 else r"\d+"
    return f"{sign}{gap}{whole}{point}{decimal}{exponent}"
