"""Decoders: bytes in, readings and faults out. No input or output, no clock, bounded memory.

A decoder is fed the chunks in which bytes happen to arrive; how they are cut never changes the
readings. After a link was opened again it is told so by `reset`, because the end of a line without
its beginning must never become a reading.
"""

from __future__ import annotations

from typing import Protocol

from capture.decoding.frames import FramesDecoder, MessageFramesDecoder
from capture.decoding.gatt import GattDecoder
from capture.decoding.lines import LinesDecoder
from capture.reading import Decoded
from config.indicators import (
    FramesFormat,
    GattFormat,
    GattFramesFormat,
    GattLinesFormat,
    LinesFormat,
    PolledFormat,
)

__all__ = ["Decoder", "FramesDecoder", "GattDecoder", "LinesDecoder", "decoder_for"]


class Decoder(Protocol):
    """What every wire format offers."""

    def feed(self, data: bytes, t_ns: int) -> Decoded:
        """Decode one chunk that arrived at `t_ns` (monotonic nanoseconds)."""
        ...

    def reset(self, opened_ns: int | None = None) -> None:
        """Forget what is half here: the link was opened (again) at `opened_ns`, None when not known."""
        ...


def decoder_for(
    form: LinesFormat | PolledFormat | FramesFormat | GattFormat | GattFramesFormat | GattLinesFormat,
    *,
    presentation: bytes = b"",
) -> Decoder:
    """The decoder that reads `form`.

    Args:
        form: the wire format of a described indicator.
        presentation: value of descriptor 0x2904, for a `GattFormat` only.
    """
    if isinstance(form, GattFormat):
        return GattDecoder(form, presentation)
    if isinstance(form, GattFramesFormat):
        return MessageFramesDecoder(form)
    if isinstance(form, FramesFormat):
        return FramesDecoder(form)
    return LinesDecoder(form, whole_from_start=isinstance(form, PolledFormat))
