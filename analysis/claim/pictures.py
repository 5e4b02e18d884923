"""The pictures of a run: polar form, unrolled trace, orders, strokes, and the gauge of the first page.

Lengths come in micrometres and are labelled through `Labels`, which knows language and unit.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.claim.drawing import (
    BAND,
    DASHES,
    GREY,
    INK,
    PALE,
    Board,
    Style,
    circle_path,
    scale,
    span_of,
    thinned,
    ticks,
)
from analysis.claim.wording import Wording
from analysis.claim.worked import Shown
from analysis.results import OrderOut, StrokeOut
from analysis.results_bore import StationOut
from analysis.trace import FloatArray

ROOM = 0.12  # of the span, left free above and below
FULL_TURN_DEG = 360.0


def polar_picture(drawn: Shown, limit_um: float | None, high_spot_deg: float | None, say: Wording) -> Board:
    """Each whole turn over the repeatable form; the pale ring is as wide as the limit.

    Angle 0 (the index mark, where there is one) is at the top and angles grow clockwise.
    """
    assert drawn.grid_deg is not None
    assert drawn.turns_um is not None
    assert drawn.repeatable_um is not None
    board = Board(84, 84)
    x, y, inner, outer = 42.0, 42.0, 13.0, 34.0
    low, high = span_of([drawn.repeatable_um])
    middle = (low + high) / 2
    lowest, highest = span_of([drawn.turns_um])
    reach = max(middle - lowest, highest - middle, (limit_um or 0.0) / 2, 0.5)
    factor, offset = scale(middle - reach * (1 + ROOM), middle + reach * (1 + ROOM), inner, outer)
    if limit_um is not None:
        edges = [factor * (middle + sign * limit_um / 2) + offset for sign in (-1, 1)]
        board.path("".join(circle_path(x, y, edge) for edge in edges), weight=0.25, fill=BAND, dash="1.2 0.8")
    _polar_grid(board, x, y, inner, outer)
    for value in say.ticks((inner - offset) / factor, (outer - offset) / factor, 4):
        radius = factor * value + offset
        board.circle(x, y, radius, stroke=PALE, weight=0.15)
        if radius > inner + 1:
            board.say(x + 0.38 * radius, y - 0.92 * radius, say.tick(value))
    angle = np.radians(np.append(drawn.grid_deg, FULL_TURN_DEG))
    rows = [*drawn.turns_um, drawn.repeatable_um]
    for number, row in enumerate(rows):
        radii = factor * np.append(row, row[0]) + offset
        last = number == len(rows) - 1
        style: Style = (
            {"weight": 0.6} if last else {"weight": 0.18, "dash": DASHES[number % len(DASHES)], "stroke": INK}
        )
        board.curve(x + radii * np.sin(angle), y - radii * np.cos(angle), **style)
    if high_spot_deg is not None:
        _pointer(board, x, y, outer, high_spot_deg)
    return board


def _polar_grid(board: Board, x: float, y: float, inner: float, outer: float) -> None:
    for step in range(12):
        angle = np.radians(30.0 * step)
        sine, cosine = float(np.sin(angle)), float(-np.cos(angle))
        board.line(
            [(x + inner * sine, y + inner * cosine), (x + outer * sine, y + outer * cosine)],
            stroke=PALE,
            weight=0.15,
        )
        if step % 3 == 0:
            board.say(x + (outer + 4.2) * sine, y + (outer + 3.4) * cosine, f"{30 * step}°", "cm")
    board.circle(x, y, outer, stroke=GREY, weight=0.2)
    board.path(f"M{x} {y - outer}l-1.1 -1.9h2.2Z", fill=INK, weight=0)


def _pointer(board: Board, x: float, y: float, outer: float, angle_deg: float) -> None:
    """A hollow triangle outside the ring at the high spot."""
    angle = np.radians(angle_deg)
    across, along = np.array([np.cos(angle), np.sin(angle)]), np.array([np.sin(angle), -np.cos(angle)])
    tip = np.array([x, y]) + (outer + 0.3) * along
    corners = [tip, tip + 2.4 * along + 1.3 * across, tip + 2.4 * along - 1.3 * across, tip]
    board.line([(float(px), float(py)) for px, py in corners], fill="white", weight=0.3)


def trace_picture(
    at: FloatArray,
    reading_um: FloatArray,
    aside: tuple[FloatArray, FloatArray],
    borders: Sequence[float],
    band_um: tuple[float, float] | None,
    axis: str,
    say: Wording,
) -> Board:
    """Readings one after the other: `at` is turns or seconds; `aside` the readings set aside, as crosses.

    Args:
        at: (n,) position of each reading along the page.
        reading_um: (n,) readings.
        aside: positions and readings that were set aside.
        borders: where whole turns begin and the last ends; drawn as thin uprights.
        band_um: the limit's two lines.
        axis: what `at` counts.
        say: words and units.
    """
    board = Board(174, 44)
    left, right, top, bottom = 14.0, 172.0, 2.0, 35.0
    # A spike far away may leave the paper's scale: it is drawn at the edge, so that the rest can be read.
    low, high = span_of([reading_um, np.array(band_um or ())])
    room = ROOM * max(high - low, 1.0)
    low, high = low - room, high + room
    start, end = span_of([at])
    along, along_offset = scale(start, end, left, right)
    up, up_offset = scale(low, high, bottom, top)
    if band_um is not None:
        edges = [up * value + up_offset for value in band_um]
        board.box(left, min(edges), right - left, abs(edges[0] - edges[1]), fill=BAND, weight=0)
        for edge in edges:
            board.line([(left, edge), (right, edge)], weight=0.3, dash="1.2 0.8")
    for value in say.ticks(low, high, 4):
        level = up * value + up_offset
        board.line([(left, level), (right, level)], stroke=PALE, weight=0.15)
        board.say(left - 1, level, say.tick(value), "rm")
    for place in (along * border + along_offset for border in borders):
        board.line([(place, top), (place, bottom)], stroke=GREY, weight=0.25)
    digits = 0 if end - start > 4 else 1
    for value in ticks(start, end, 8):
        _tick_below(board, along * value + along_offset, bottom, say.number(value, digits))
    board.say(right, bottom + 5.4, axis, "rt")
    board.box(left, top, right - left, bottom - top, stroke=GREY, weight=0.2)
    board.curve(*thinned(along * at + along_offset, up * reading_um + up_offset), weight=0.25)
    for place, value in zip(*aside, strict=True):
        board.cross(along * place + along_offset, min(max(up * value + up_offset, top), bottom))
    return board


def _tick_below(board: Board, x: float, y: float, text: str) -> None:
    board.line([(x, y), (x, y + 1)], weight=0.2)
    board.say(x, y + 1.6, text, "ct")


def orders_picture(orders: Sequence[OrderOut], studs: int | None, say: Wording) -> Board:
    """The orders as bars: half the swing, with one standard uncertainty as a whisker."""
    board = Board(84, 44)
    left, right, top, bottom = 12.0, 82.0, 4.0, 35.0
    highest = max((1000 * (order.amplitude_mm + (order.standard_mm or 0)) for order in orders), default=1.0)
    up, offset = scale(0.0, max(highest, 0.2) * 1.15, bottom, top)
    for value in say.ticks(0.0, max(highest, 0.2) * 1.15, 4):
        level = up * value + offset
        board.line([(left, level), (right, level)], stroke=PALE, weight=0.15)
        board.say(left - 1, level, say.tick(value), "rm")
    step = (right - left) / max(len(orders), 1)
    largest = max(orders, key=lambda order: order.amplitude_mm, default=None)
    for number, order in enumerate(orders):
        place = left + (number + 0.5) * step
        height = offset + up * 1000 * order.amplitude_mm
        studded = order.order == studs
        board.box(
            place - 0.32 * step,
            height,
            0.64 * step,
            bottom - height,
            fill="white" if studded else INK,
            weight=0.3,
        )
        if order.standard_mm is not None:
            ends = [offset + up * 1000 * (order.amplitude_mm + sign * order.standard_mm) for sign in (1, -1)]
            board.line([(place, ends[0]), (place, min(ends[1], bottom))], weight=0.25, stroke=GREY)
            height = min(height, ends[0])
        if order is largest:
            board.say(place, height - 0.6, say.tick(1000 * order.amplitude_mm), "cb")
        board.say(place, bottom + 1.4, str(order.order), "ct", bold=studded)
    board.line([(left, bottom), (right, bottom)], weight=0.3)
    board.say(right, bottom + 5, say("order_axis"), "rt")
    return board


def strokes_picture(strokes: Sequence[StrokeOut], edges_um: Sequence[float], say: Wording) -> Board:
    """Each stroke from pushed in (dot) to pulled out (square); the uprights are the limit's edges."""
    board = Board(84, 14.0 + 6.0 * len(strokes))
    left, right, top = 10.0, 80.0, 4.0
    bottom = top + 6.0 * len(strokes)
    plays = [1000 * stroke.play_mm for stroke in strokes]
    high = max([*map(abs, plays), *edges_um, 1.0]) * (1 + ROOM)
    along, offset = scale(0.0, high, left, right)
    for value in say.ticks(0.0, high, 5):
        place = along * value + offset
        board.line([(place, top), (place, bottom)], stroke=PALE, weight=0.15)
        board.say(place, bottom + 1.4, say.tick(value), "ct")
    for edge in edges_um:
        place = along * edge + offset
        board.line([(place, top), (place, bottom)], weight=0.3, dash="1.2 0.8")
    for number, play in enumerate(plays):
        level = top + 6.0 * number + 3.0
        end = along * max(play, 0.0) + offset
        board.line([(left, level), (end, level)], weight=0.5)
        board.circle(left, level, 1.0, fill=INK, weight=0)
        board.box(end - 1.0, level - 1.0, 2.0, 2.0, fill="white", weight=0.4)
        board.say(left - 2, level, str(number + 1), "rm")
    board.line([(left, bottom), (right, bottom)], weight=0.3)
    board.say(right, bottom + 5, say("play_axis"), "rt")
    return board


def stations_picture(stations: Sequence[StationOut], say: Wording) -> Board:
    """A bore's deviation from the setting ring by direction, a line and a shape for each depth."""
    board = Board(84, 56)
    left, right, top, bottom = 14.0, 72.0, 4.0, 46.0
    values = [1000 * station.deviation_mm for station in stations]
    low, high = min(values), max(values)
    room = max(ROOM * (high - low), 1.0)
    up, offset = scale(low - room, high + room, bottom, top)
    along, along_offset = scale(0.0, FULL_TURN_DEG / 2, left, right)
    for value in say.ticks(low - room, high + room, 5):
        level = up * value + offset
        board.line([(left, level), (right, level)], stroke=PALE, weight=0.15)
        board.say(left - 1, level, say.tick(value), "rm")
    for degrees in range(0, 181, 45):
        _tick_below(board, along * degrees + along_offset, bottom, f"{degrees}°")
    for number, depth in enumerate(sorted({station.depth for station in stations})):
        places = [
            (along * s.direction_deg + along_offset, up * 1000 * s.deviation_mm + offset)
            for s in stations
            if s.depth == depth
        ]
        places.sort()
        board.line(places, weight=0.25, dash=DASHES[number % len(DASHES)])
        for x, y in places:
            _station_mark(board, x, y, number)
        board.say(places[-1][0] + 2.2, places[-1][1], say("depth", number=depth), "lm")
    board.line([(left, bottom), (right, bottom)], weight=0.3)
    board.say(right, bottom + 5, say("direction_axis"), "rt")
    return board


def _station_mark(board: Board, x: float, y: float, number: int) -> None:
    """Dot, hollow square, hollow circle, filled square: a shape for each depth, over again from the fifth."""
    filled = number % 4 in (0, 3)
    if number % 2 == 0:
        board.circle(x, y, 1.0, fill=INK if filled else "white", weight=0.35)
    else:
        board.box(x - 0.9, y - 0.9, 1.8, 1.8, fill=INK if filled else "white", weight=0.35)


def gauge_picture(
    found: Sequence[tuple[str, float, float]], edges_um: Sequence[float], say: Wording
) -> Board:
    """The gauge of the first page: figures with their uncertainty on a scale with the limit.

    Args:
        found: (mark, value, expanded uncertainty) in um, mark ``found`` (square) or ``repaired`` (circle).
        edges_um: the limit: one edge, or good up to and bad above.
        say: words and units.
    """
    board = Board(74, 17)
    left, right, level = 2.0, 72.0, 8.0
    high = max([*(value + wide for _, value, wide in found), *edges_um, 1.0]) * 1.12
    along, offset = scale(0.0, high, left, right)
    if edges_um:
        first, last = (along * edge + offset for edge in (min(edges_um), max(edges_um)))
        board.box(left, 3.4, first - left, 6.8, fill=BAND, weight=0)
        for edge in {first, last}:
            board.line([(edge, 2.6), (edge, 11.2)], weight=0.5)
        if first == last:
            board.say(first, 2.0, say("edge"), "cb")
        else:
            board.say(first + 0.4, 2.0, say("edge_good"), "rb")
            board.say(last - 0.4, 2.0, say("edge_bad"), "lb")
    board.line([(left, 10.2), (right, 10.2)], weight=0.25)
    for value in say.ticks(0.0, high, 4):
        place = along * value + offset
        board.line([(place, 10.2), (place, 11.0)], weight=0.25)
        board.say(place, 11.4, say.tick(value), "ct")
    board.say(right, 13.6, say.unit, "rt")
    for number, (mark, value, wide) in enumerate(found):
        place, height = along * value + offset, level - 2.4 * (number % 2) - 0.4
        board.line(
            [(along * max(value - wide, 0) + offset, height), (along * (value + wide) + offset, height)],
            weight=0.3,
        )
        if mark == "found":
            board.box(place - 1.1, height - 1.1, 2.2, 2.2, fill=INK, weight=0)
        else:
            board.circle(place, height, 1.15, fill="white", weight=0.45)
    return board
