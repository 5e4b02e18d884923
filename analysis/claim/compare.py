"""Whether figures that are stated are the ones that the readings give."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from analysis.claim.values import ClaimResult

TOLERANCE = 1e-6
"""Figures agree within 1 nm (mm), 1e-6 deg, 1e-6 s or 1e-6 of a probability: far below any step of an
indicator, and above what another processor's rounding does."""
SENTENCES = ("text", "why", "source")


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

    `texts` false leaves sentences out, which another version may word differently.
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
        if not _same(stated, anew):
            yield place, _shown(stated), _shown(anew)


def _same(stated: Any, anew: Any) -> bool:
    if type(stated) in (int, float) and type(anew) in (int, float):
        return bool(abs(stated - anew) <= TOLERANCE * max(1.0, abs(anew)))
    return bool(stated == anew)


def _shown(value: Any) -> str:
    return "nothing" if value is None else str(value)[:120]
