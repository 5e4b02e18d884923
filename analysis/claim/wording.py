"""Words, numbers and lengths of the report in the reader's language and unit; and text made fit for print."""

from __future__ import annotations

import math
import re
import tomllib
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib import resources
from typing import Any

from analysis.claim.drawing import ticks
from analysis.claim.phrases import translated
from analysis.claim.values import FirstUnit, Language

MM_PER_IN = 25.4
LONGEST_WORD = 36
ZERO_WIDTH_SPACE = "\u200b"
# Scripts and signs that the report's type can show; all else is shown by its code point, so that nothing
# is left out silently and no control character (bidirectional ones above all) can rearrange a line.
_PRINTABLE = re.compile(
    "[\u0020-\u007e\u00a0-\u00ac\u00ae-\u017f\u0218-\u021b\u0386\u0388-\u038a\u038c\u038e-\u03a1\u03a3-\u03ce"
    "\u0401-\u040c\u040e-\u044f\u0451-\u045c\u045e\u045f\u0490\u0491\u1e9e\u2010-\u2015\u2018-\u201e"
    "\u2020-\u2022\u2026\u2030\u2032\u2033\u2039\u203a\u20ac\u2122\u2190-\u2193\u2212\u2248\u2260\u2264\u2265]"
)

# Typed signs of the analysis and of an answer, as print has them.
_SIGNS = (
    (re.compile(r"\+-"), "\u00b1"),
    (re.compile(r"(?<=\d) um\b"), " \u00b5m"),
    (re.compile(r"(?<=\d) deg\b"), "\u00b0"),
)


@cache
def _messages(language: Language) -> dict[str, Any]:
    text = resources.files("analysis.claim").joinpath(f"messages/{language}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True, slots=True)
class Wording:
    """Calls give the message of that key, filled in: ``say("run", number=1)``."""

    language: Language
    first_unit: FirstUnit

    def __call__(self, key: str, **values: object) -> str:
        """The message `key` in this language.

        Raises:
            KeyError: the message file has no such key.
        """
        text: str = _messages(self.language)[key]
        return text.format(**values) if values else text

    def paragraphs(self, table: str) -> list[str]:
        """The numbered paragraphs of a table of the message file."""
        return list(_messages(self.language)[table].values())

    def reason(self, code: str, text: str) -> str:
        """A reason in this language: its name, and its sentence; in English where there is no translation."""
        name = _messages(self.language)["reason"].get(code, code.replace("_", " "))
        return f"{name}: {self.sentence(text)}"

    def sentence(self, text: str) -> str:
        """A sentence of the analysis in this language, or as it is where the phrase book does not have it."""
        found = translated(text, self.language)
        told = text if found is None else found
        for pattern, sign in _SIGNS:
            told = pattern.sub(sign, told)
        return told

    def number(self, value: float, digits: int) -> str:
        """A number with so many decimals and this language's decimal sign; no minus before zero."""
        text = f"{value:.{digits}f}"
        if text.startswith("-") and not text.strip("-0."):
            text = text[1:]
        return text.replace("-", "\u2212").replace(".", self("decimal"))

    def tick(self, length_um: float) -> str:
        """A length at a scale: the number alone, in the first unit."""
        if self.first_unit == "in":
            return self._trimmed(length_um / 1000 / MM_PER_IN, 5, 4)
        return self._trimmed(length_um / 1000, 4, 2)

    def ticks(self, low_um: float, high_um: float, about: int) -> list[float]:
        """Lengths in um that are round in the first unit, from `low_um` to `high_um`."""
        unit_um = 1000.0 * (MM_PER_IN if self.first_unit == "in" else 1.0)
        return [unit_um * value for value in ticks(low_um / unit_um, high_um / unit_um, about)]

    @property
    def unit(self) -> str:
        """The name of the first unit, for a sentence."""
        return self(f"unit_{self.first_unit}")

    def limit(self, edges_um: Sequence[float]) -> str:
        """The limit in words: one figure, or good up to and bad above; that there is none."""
        shown = [self.length(edge, fine=True) for edge in edges_um]
        if len(shown) == 2:
            return self("limit_pair", good=shown[0], bad=shown[1])
        return shown[0] if shown else self("no_limit")

    def length(self, length_um: float | None, *, expanded_um: float | None = None, fine: bool = False) -> str:
        """A length in both units, the first unit first, with ± its expanded uncertainty if given."""
        if length_um is None:
            return "\u2013"
        parts = []
        for unit in ("mm", "in") if self.first_unit == "mm" else ("in", "mm"):
            divisor, least = (1000.0, 3) if unit == "mm" else (1000.0 * MM_PER_IN, 4)
            value = length_um / divisor
            if expanded_um is not None:
                # Two digits of the uncertainty, and the figure to the same place (JCGM 100, 7.2.6).
                digits = _digits(expanded_um / divisor, least, least + 2)
                shown = f"{self.number(value, digits)} ± {self.number(expanded_um / divisor, digits)}"
            elif fine:
                shown = self._trimmed(value, _digits(value, least + 1, least + 2), least)
            else:
                shown = self.number(value, least)
            parts.append(f"{shown} {unit}")
        return f"{parts[0]} ({parts[1]})"

    def moment(self, moment: datetime) -> str:
        """Date and time to the minute, UTC, in ISO 8601 order."""
        return f"{moment:%Y-%m-%d %H:%M} UTC"

    def _trimmed(self, value: float, most: int, least: int) -> str:
        text = self.number(value, most)
        while text.endswith("0") and most > least:
            text, most = text[:-1], most - 1
        return text


def _digits(value: float, fewest: int, most: int) -> int:
    """Decimals that show two significant digits of `value`, within bounds."""
    if value == 0:
        return fewest
    return min(max(1 - math.floor(math.log10(abs(value))), fewest), most)


def printable(text: str, longest: int | None = None, *, more: str = "…") -> str:
    """`text` as one line that the report's type can show.

    White space runs become one space; a sign outside the type's stock stands as ``[U+1F600]``; a word of
    more than `LONGEST_WORD` signs may be broken there. Cut to `longest` signs, with `more` at the end.
    """
    plain = " ".join(unicodedata.normalize("NFC", text[: 4 * longest] if longest else text).split())
    shown = "".join(sign if _PRINTABLE.fullmatch(sign) else f"[U+{ord(sign):04X}]" for sign in plain)
    if longest is not None and (len(shown) > longest or len(text) > 4 * longest):
        shown = shown[:longest].rstrip() + more
    return re.sub(rf"(\S{{{LONGEST_WORD}}})(?=\S)", rf"\1{ZERO_WIDTH_SPACE}", shown)
