"""Proposes a layout of binary frames from what was heard. Pure.

A frame's size is where the same bytes come back; its check is the one that agrees in every frame; its
value is what moves smoothly. What the other bytes mean is not guessed: they must stay as they were.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from capture.decoding.checks import CHECKS
from capture.links.base import Chunk
from config.clock import NS_PER_S

LARGEST = 64
FEWEST = 8
GAP_S = 0.003
SAME_SIZE = 0.9
FIXED_SHARE = 0.5
SMOOTH = 0.3
"""A plunger's way from reading to reading is a small part of its whole swing; scrambled bytes leap."""
WIDTH = {"<h": 2, ">h": 2, "<i": 4, ">i": 4, "<i24": 3, ">i24": 3}
NARROW_FIRST = ("<h", ">h", "<i24", ">i24", "<i", ">i")
Frames = NDArray[np.uint8]


def propose_frames(chunks: Sequence[Chunk], *, whole: bool = False) -> dict[str, Any] | None:
    """The keys of a `FramesFormat` without ``step``, which a known length tells; None when it is none.

    Args:
        chunks: as they arrived, while the plunger moved.
        whole: each chunk is one message, as a notification is.
    """
    if whole:
        framings = [_by_chunk([chunk.data for chunk in chunks])]
    else:
        framings = [_by_silence(chunks), *_by_start(chunks)]
    layouts = [layout for frames in framings if (layout := _layout(frames)) is not None]
    # A check that agrees in every frame proves where frames begin.
    return next((each for each in layouts if "check" in each), layouts[0] if layouts else None)


def _layout(frames: Sequence[bytes] | None) -> dict[str, Any] | None:
    """The layout of frames that are cut rightly; None when they show none."""
    if frames is None or len(frames) < FEWEST:
        return None
    rows = np.array([list(frame) for frame in frames], dtype=np.uint8)
    check, check_at = _check(rows)
    body = rows if check_at is None else rows[:, :check_at]
    fixed = np.all(body == body[0], axis=0)
    value = _value(body, fixed)
    if value is None:
        return None
    start = 0
    while start < value[0] and fixed[start]:
        start += 1
    return {
        "kind": "frames",
        "start": bytes(rows[0, :start].tolist()).hex(),
        "size": int(rows.shape[1]),
        "value_at": value[0],
        "value_type": value[1],
        **({"check": check, "check_at": check_at} if check is not None else {}),
    }


def looks_framed(chunks: Sequence[Chunk], *, whole: bool = False) -> bool:
    """Whether frames of one size come back again and again, though at rest their value stays open."""
    if whole:
        framings = [_by_chunk([chunk.data for chunk in chunks])]
    else:
        framings = [_by_silence(chunks), *_by_start(chunks)[:1]]
    for frames in framings:
        if frames is not None and len(frames) >= FEWEST:
            rows = np.array([list(frame) for frame in frames], dtype=np.uint8)
            if float(np.mean(rows[1:] == rows[:-1])) > FIXED_SHARE:
                return True
    return False


def _by_chunk(messages: Sequence[bytes]) -> list[bytes] | None:
    sizes = [len(message) for message in messages]
    usual = max(set(sizes), key=sizes.count, default=0)
    if not 2 <= usual <= LARGEST or sizes.count(usual) < SAME_SIZE * len(sizes):
        return None
    return [message for message in messages if len(message) == usual]


def _by_silence(chunks: Sequence[Chunk]) -> list[bytes] | None:
    """Messages between silences, when they are of one size; the first may lack its beginning."""
    messages: list[bytearray] = []
    before_ns: int | None = None
    for chunk in chunks:
        if before_ns is None or chunk.t_ns - before_ns > GAP_S * NS_PER_S:
            messages.append(bytearray())
        messages[-1] += chunk.data
        before_ns = chunk.t_ns
    return _by_chunk([bytes(message) for message in messages[1:]])


def _by_start(chunks: Sequence[Chunk]) -> list[list[bytes]]:
    """Frames of the size at which most bytes come back, cut before each stretch of fixed bytes in turn.

    The one that follows the longest stretch of moving bytes comes first.
    """
    data = np.frombuffer(b"".join(chunk.data for chunk in chunks), dtype=np.uint8)
    best: tuple[float, int] | None = None
    for size in range(2, LARGEST + 1):
        count = data.size // size
        if count < FEWEST:
            break
        table = data[: count * size].reshape(count, size)
        share = float(np.mean(table[1:] == table[:-1]))
        if best is None or share > best[0] + 0.05:
            best = (share, size)
    if best is None:
        return []
    size = best[1]
    count = data.size // size
    fixed = np.all(data[: count * size].reshape(count, size) == data[:size], axis=0)
    return [
        [data[at : at + size].tobytes() for at in range(first, data.size - size + 1, size)]
        for first in _beginnings(fixed)
    ]


def _beginnings(fixed: NDArray[np.bool_]) -> list[int]:
    """Where stretches of fixed bytes begin, the frame seen as a ring; after the longest moving one first."""
    size = fixed.size

    def moving_before(at: int) -> int:
        count = 0
        while count < size and not fixed[at - 1 - count]:
            count += 1
        return count

    starts = [at for at in range(size) if fixed[at] and not fixed[at - 1]]
    return sorted(starts, key=moving_before, reverse=True)


def _check(rows: Frames) -> tuple[str | None, int | None]:
    """The check that agrees in every frame, at the end of it; the longest kind first."""
    distinct = {bytes(row.tolist()) for row in rows}
    if len(distinct) < FEWEST // 2:
        return None, None
    for name in ("crc16-ccitt", "crc16-modbus", "crc8", "xor8", "sum8"):
        width = 2 if name.startswith("crc16") else 1
        at = rows.shape[1] - width
        if at > 0 and all(CHECKS[name](frame[:at]) == frame[at:] for frame in distinct):
            return name, at
    return None, None


def _value(body: Frames, fixed: NDArray[np.bool_]) -> tuple[int, str] | None:
    """Where the value is and how it reads: it holds all moving bytes, and swings least.

    One moving byte alone would leave open on which side of it the higher bytes are. Of types that read the
    same the narrowest is taken: its range of 65,536 steps is that of any indicator with so few moving bytes.
    """
    moving = np.flatnonzero(~fixed)
    if moving.size < 2:
        return None
    first, last = int(moving[0]), int(moving[-1])
    found: list[tuple[float, int, int, str]] = []
    for place, kind in enumerate(NARROW_FIRST):
        width = WIDTH[kind]
        for at in range(max(0, last - width + 1), min(first, body.shape[1] - width) + 1):
            values = _read(body, at, kind)
            swing = float(np.ptp(values))
            if float(np.mean(np.abs(np.diff(values)))) < SMOOTH * swing:
                found.append((swing, place, at, kind))
    return min(found)[2:] if found else None


def _read(body: Frames, at: int, kind: str) -> NDArray[np.float64]:
    order: Literal["little", "big"] = "little" if kind[0] == "<" else "big"
    raw = body[:, at : at + WIDTH[kind]]
    return np.array(
        [float(int.from_bytes(bytes(row.tolist()), order, signed=True)) for row in raw], dtype=np.float64
    )
