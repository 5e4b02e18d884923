"""Sentences of the analysis in the reader's language: matched against a phrase book, their figures filled in.

The analysis writes English sentences with figures in them. The phrase book (`messages/phrases_de.toml`) has
each with ``{}`` for every part, ``{n}`` where only a figure can stand, and its translation with ``{0}``,
``{1}`` in the order that the language wants. Parts are looked up in turn. What the book does not have stays
English.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # the station uses the book for its page, and loads nothing of the pack for it
    from analysis.claim.values import Language

_DECIMAL_POINT = re.compile(r"(?<=\d)\.(?=\d)")
_NUMBER = re.compile(r"[-+\d.,%; ]+")
DEEPEST = 4
GAP = re.compile(r"\{n?\}")


def phrases_of(language: Language, *tables: str) -> tuple[tuple[str, str], ...]:
    """English phrases with their translations, those with the fewest gaps first; all if no table is named."""
    text = resources.files("analysis.claim").joinpath(f"messages/phrases_{language}.toml").read_text("utf-8")
    book: dict[str, dict[str, str]] = tomllib.loads(text)
    phrases = [pair for table in tables or book for pair in book[table].items()]
    return tuple(sorted(phrases, key=lambda pair: (len(GAP.findall(pair[0])), -len(pair[0]))))


@cache
def _book(language: Language) -> tuple[tuple[re.Pattern[str], str], ...]:
    return tuple((pattern_of(english), told) for english, told in phrases_of(language))


def pattern_of(english: str) -> re.Pattern[str]:
    """What a sentence with ``{}`` and ``{n}`` for its parts looks like."""
    pieces, gaps = GAP.split(english), GAP.findall(english)
    parts = [re.escape(pieces[0])]
    for gap, piece in zip(gaps, pieces[1:], strict=True):
        parts += [r"([-+\d.,%; ]+)" if gap == "{n}" else "(.+?)", re.escape(piece)]
    return re.compile("".join(parts), re.DOTALL)


def translated(text: str, language: Language, depth: int = 0) -> str | None:
    """The sentence in `language`; None when the phrase book does not have it."""
    if language == "en":
        return text
    if depth > DEEPEST:
        return None
    for pattern, told in _book(language):
        match = pattern.fullmatch(text)
        if match is not None:
            return told.format(*(_part(part, language, depth) for part in match.groups()))
    return None


def _part(text: str, language: Language, depth: int) -> str:
    """A figure with this language's decimal sign, a part that the book has, or the part as it is."""
    if _NUMBER.fullmatch(text):
        return _DECIMAL_POINT.sub(",", text)
    found = translated(text, language, depth + 1)
    return text if found is None else found
