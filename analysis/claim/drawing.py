"""A small drawing board: lines and areas as SVG in millimetres, texts beside it for the report to set.

Texts are not part of the SVG so that they are set in the report's own type. Lines differ by dash and
weight, marks by shape; no meaning is carried by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TypedDict, Unpack

import numpy as np

from analysis.trace import FloatArray

INK, GREY, PALE, BAND = "#1b2a33", "#7d8a91", "#d5dbde", "#e9edee"
DASHES = ("", "1.6 0.7", "0.5 0.6", "2.4 0.6 0.5 0.6", "0.9 0.9")
MOST_COLUMNS = 600  # a longer line is thinned to the extremes in each of so many columns


@dataclass(frozen=True, slots=True)
class Text:
    """A text at `x_mm`, `y_mm`; `anchor` is its point there: l, c or r and t, m or b."""

    x_mm: float
    y_mm: float
    text: str
    anchor: str = "cm"
    bold: bool = False


class Style(TypedDict, total=False):
    """How a path is drawn: weight in mm (0: no line), colours, dash pattern in mm."""

    weight: float
    stroke: str
    dash: str
    fill: str


@dataclass(slots=True)
class Board:
    """What has been drawn so far. Coordinates in mm from the top left corner."""

    width_mm: float
    height_mm: float
    shapes: list[str] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)

    def path(self, d: str, **style: Unpack[Style]) -> None:
        """Add an SVG path."""
        weight, dash = style.get("weight", 0.2), style.get("dash", "")
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        line = (
            f'stroke="{style.get("stroke", INK)}" stroke-width="{weight}"{dashes}'
            if weight
            else 'stroke="none"'
        )
        fill = style.get("fill", "none")
        self.shapes.append(
            f'<path d="{d}" fill="{fill}" fill-rule="evenodd" stroke-linejoin="round" {line}/>'
        )

    def line(self, points: Iterable[tuple[float, float]], **style: Unpack[Style]) -> None:
        """Join points (x, y)."""
        self.path("M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points), **style)

    def curve(self, x: FloatArray, y: FloatArray, *, close: bool = False, **style: Unpack[Style]) -> None:
        """Join the points of two arrays; a NaN breaks the line."""
        pieces = ["M" + "L".join(map("%.2f %.2f".__mod__, piece)) for piece in _unbroken(x, y)]
        self.path("".join(pieces) + ("Z" if close and len(pieces) == 1 else ""), **style)

    def box(self, x: float, y: float, width: float, height: float, **style: Unpack[Style]) -> None:
        """A rectangle from its top left corner."""
        self.path(f"M{x:.2f} {y:.2f}h{width:.2f}v{height:.2f}h{-width:.2f}Z", **style)

    def circle(self, x: float, y: float, radius: float, **style: Unpack[Style]) -> None:
        """A full circle."""
        self.path(circle_path(x, y, radius), **style)

    def cross(self, x: float, y: float, size: float = 0.8) -> None:
        """A small cross: a reading that was set aside."""
        self.path(
            f"M{x - size:.2f} {y - size:.2f}l{2 * size} {2 * size}m0 {-2 * size}l{-2 * size} {2 * size}"
        )

    def say(self, x: float, y: float, text: str, anchor: str = "cm", *, bold: bool = False) -> None:
        """Add a text."""
        self.texts.append(Text(x, y, text, anchor, bold))

    def svg(self) -> bytes:
        """The lines and areas as one SVG."""
        head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width_mm:g} {self.height_mm:g}">'
        return (head + "".join(self.shapes) + "</svg>").encode()


def circle_path(x: float, y: float, radius: float) -> str:
    """An SVG path for a circle; two of them with even-odd filling make a ring."""
    r = f"{radius:.3f}"
    return f"M{x - radius:.3f} {y:.3f}a{r} {r} 0 1 0 {2 * radius:.3f} 0a{r} {r} 0 1 0 {-2 * radius:.3f} 0Z"


def _unbroken(x: FloatArray, y: FloatArray) -> list[list[tuple[float, float]]]:
    good = np.isfinite(x) & np.isfinite(y)
    edges = np.flatnonzero(np.diff(good.astype(np.int8))) + 1
    pieces = []
    for index in np.split(np.arange(x.size), edges):
        if index.size > 1 and good[index[0]]:
            pieces.append(list(zip(x[index].tolist(), y[index].tolist(), strict=True)))
    return pieces


def thinned(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A long line for print: the first, smallest, largest and last point of every column, in order."""
    if x.size <= 4 * MOST_COLUMNS:
        return x, y
    keep: list[int] = []
    for index in np.array_split(np.arange(x.size), MOST_COLUMNS):
        low, high = index[np.nanargmin(y[index])], index[np.nanargmax(y[index])]
        keep += sorted({int(index[0]), int(low), int(high), int(index[-1])})
    return x[keep], y[keep]


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values (1, 2 or 5 times a power of ten apart) from `low` to `high`, some `about` of them."""
    span = high - low
    if not span > 0:
        return [low]
    rough = span / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(step * power for step in (1, 2, 5, 10) if step * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [index * step for index in range(first, last + 1)]


def scale(low: float, high: float, start: float, end: float) -> tuple[float, float]:
    """Factor and offset that carry `low` to `start` and `high` to `end`."""
    factor = (end - start) / (high - low) if high > low else 0.0
    return factor, start - factor * low


def span_of(arrays: Sequence[FloatArray]) -> tuple[float, float]:
    """Smallest and largest finite value of several arrays; (0, 0) when there is none."""
    finite = [values[np.isfinite(values)] for values in arrays]
    whole = np.concatenate(finite) if finite else np.empty(0)
    return (float(whole.min()), float(whole.max())) if whole.size else (0.0, 0.0)
