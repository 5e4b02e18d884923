"""Whether figures that are stated are the ones that the readings give."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from analysis.claim.values import ClaimResult

TOLERANCE = 1e-6
"""Figures agree within 1 nm (mm), 1e-6 deg, 1e-6 s or 1e-6 of a probability: far below any step of an
indicator, and above what another processor's rounding does."""
SENTENCES = ("text", "why", "source")
ROUNDED = {"alternatives": 0.01}
"""Figures that are stated rounded, with their step: another processor may round 3.645 the other way."""
_FIGURE = re.compile(r"\d+\.\d+")


@dataclass(slots=True)
class Count:
    """How many figures were compared."""

    figures: int = 0


def result_differences(
    stated: ClaimResult, anew: ClaimResult, *, texts: bool = True, count: Count | None = None
) -> Iterator[tuple[str, str, str]]:
    """Place, stated and recomputed value of everything in which two results differ; their files aside."""
    told, found = (result.model_dump(mode="json", exclude={"file"}) for result in (stated, anew))
    return differences(told, found, texts=texts, count=count)


def differences(
    stated: Any, anew: Any, place: str = "", *, texts: bool = True, count: Count | None = None
) -> Iterator[tuple[str, str, str]]:
    """Place, stated and recomputed value of everything that differs beyond `TOLERANCE`.

    Figures of `ROUNDED`, and those with decimals in sentences, may differ by one step of their rounding; a
    sentence's figure stands unrounded beside it. `texts` false leaves sentences out, which another version
    may word differently.
    """
    if isinstance(stated, dict) and isinstance(anew, dict):
        for name in stated | anew:
            inner = f"{place}.{name}" if place else name
            if texts or name not in SENTENCES:
                yield from differences(stated.get(name), anew.get(name), inner, texts=texts, count=count)
    elif isinstance(stated, list) and isinstance(anew, list) and len(stated) == len(anew):
        for index, (one, other) in enumerate(zip(stated, anew, strict=True)):
            yield from differences(one, other, f"{place}[{index}]", texts=texts, count=count)
    else:
        if count is not None:
            count.figures += 1
        name, _, of_list = place.rpartition(".")[2].partition("[")
        if not _same(stated, anew, step=ROUNDED.get(name, 0.0) if of_list else 0.0):
            yield place, _shown(stated), _shown(anew)


def _same(stated: Any, anew: Any, step: float) -> bool:
    if type(stated) in (int, float) and type(anew) in (int, float):
        return bool(abs(stated - anew) <= step + TOLERANCE * max(1.0, abs(anew)))
    if isinstance(stated, str) and isinstance(anew, str):
        return stated == anew or _same_sentence(stated, anew)
    return bool(stated == anew)


def _same_sentence(stated: str, anew: str) -> bool:
    """Whether the words are the same, and each figure with decimals within one step of its last digit."""
    if _FIGURE.sub("", stated) != _FIGURE.sub("", anew):
        return False
    pairs = zip(map(Decimal, _FIGURE.findall(stated)), map(Decimal, _FIGURE.findall(anew)), strict=True)
    return all(
        one.as_tuple().exponent == other.as_tuple().exponent
        and abs(one - other) <= Decimal(1).scaleb(int(one.as_tuple().exponent))
        for one, other in pairs
    )


def _shown(value: Any) -> str:
    return "nothing" if value is None else str(value)[:120]
