"""Binary frames of fixed size to readings, with resynchronisation."""

from __future__ import annotations

from capture.decoding.checks import CHECKS
from capture.reading import Decoded, Fault, Reading, shown
from config.indicators import FramesFormat
from config.lengths import LARGEST_LENGTH_NM

QUIET_NS = 50_000_000
"""The rest of a frame follows at once: after this much silence a frame begins."""

TELL_AFTER_FRAMES = 4

_WIDTH = {"h": 2, "i": 4}


class FrameReader:
    """Reads one whole frame: the value, its unit and its status. Knows nothing of the stream."""

    def __init__(self, form: FramesFormat) -> None:
        self.size = form.size
        self.start = bytes.fromhex(form.start)
        self._form = form
        self._order = "little" if form.value_type[0] == "<" else "big"
        self._value = slice(form.value_at, form.value_at + _WIDTH.get(form.value_type[-1], 3))
        self._inch = int(form.inch_bit, 16) if form.inch_bit else 0
        self._bad = [(int(mask, 16), why) for mask, why in form.status_bad.items()]
        self._check = CHECKS[form.check] if form.check else None

    @property
    def checked(self) -> bool:
        """Whether the frame carries a check."""
        return self._check is not None

    def sound(self, frame: bytes) -> bool:
        """Whether the fixed start and the check of a frame agree."""
        if not frame.startswith(self.start):
            return False
        if self._check is None or self._form.check_at is None:
            return True
        at = self._form.check_at
        check = self._check(frame[:at])
        return frame[at : at + len(check)] == check

    def read(self, frame: bytes, t_ns: int) -> Reading | Fault:
        """The reading in a sound frame, or a fault when it is no length at a wheel end."""
        count = int.from_bytes(frame[self._value], self._order, signed=True)  # type: ignore[arg-type]
        status = frame[self._form.status_at] if self._form.status_at is not None else 0
        inch = bool(status & self._inch)
        step = self._form.inch_step if inch and self._form.inch_step else self._form.step
        length_nm = self._form.sign * count * step
        if abs(length_nm) > LARGEST_LENGTH_NM:
            return Fault(t_ns, "out_of_range", f"{count} counts are longer than 10 m", frame.hex())
        flag = "; ".join(why for mask, why in self._bad if status & mask) or None
        return Reading(t_ns, length_nm, "in" if inch else "mm", flag, frame.hex() if flag else None)


class FramesDecoder:
    """Finds the frames in a stream of bytes.

    The start bytes may be part of a value, and a check of 8 bits agrees by chance once in 256: after
    a loss the first sound frame only proves the second. Silence before the first byte, or a damaged
    frame with a sound one right behind it, is no loss. With neither start nor check the frames are
    counted off from the opening, and a piece that waits too long for its end is dropped.
    """

    def __init__(self, form: FramesFormat) -> None:
        self._reader = FrameReader(form)
        self.reset()

    def reset(self, opened_ns: int | None = None) -> None:
        """See `Decoder`."""
        self._buffer = b""
        self._fed_ns = opened_ns
        self._locked = not (self._reader.checked or self._reader.start)
        self._lost = 0

    def feed(self, data: bytes, t_ns: int) -> Decoded:
        """See `Decoder`."""
        faults: list[Fault] = []
        readings: list[Reading] = []
        if self._fed_ns is not None and t_ns - self._fed_ns >= QUIET_NS:
            self._begin_after_silence(t_ns, faults)
        self._fed_ns = t_ns
        buffer, at, size = self._buffer + data, 0, self._reader.size
        while len(buffer) - at >= (size if self._locked else 2 * size):
            frame, following = buffer[at : at + size], buffer[at + size : at + 2 * size]
            sound = self._reader.sound(frame)
            if sound and self._locked:
                self._tell_lost(buffer, at, t_ns, faults)
                self._keep(self._reader.read(frame, t_ns), readings, faults)
                at += size
            elif sound and self._reader.sound(following):
                self._tell_lost(buffer, at, t_ns, faults)
                faults.append(Fault(t_ns, "torn", "the first frame only proves the next", frame.hex()))
                self._locked = True
                at += size
            elif self._locked and len(following) < size:
                break  # the next frame will tell a damaged frame from a lost byte
            else:
                self._locked = self._locked and self._reader.sound(following)
                skipped = size if self._locked else self._to_next_start(buffer, at)
                self._lost += skipped
                at += skipped
        if self._lost >= TELL_AFTER_FRAMES * size:
            self._tell_lost(buffer, at, t_ns, faults)
        self._buffer = buffer[at:]
        return Decoded(readings, faults)

    def _begin_after_silence(self, t_ns: int, faults: list[Fault]) -> None:
        """After silence a frame begins; what lay here has lost its end."""
        self._lost += len(self._buffer)
        self._tell_lost(self._buffer, len(self._buffer), t_ns, faults)
        self._buffer, self._locked = b"", True

    def _to_next_start(self, buffer: bytes, at: int) -> int:
        """Bytes to skip to the next possible start (a start may be torn at the buffer's end)."""
        start = self._reader.start
        if not start:
            return 1
        found = buffer.find(start, at + 1)
        if found < 0:
            found = max(at + 1, len(buffer) - len(start) + 1)
        return found - at

    def _tell_lost(self, buffer: bytes, at: int, t_ns: int, faults: list[Fault]) -> None:
        if self._lost:
            raw = shown(buffer[max(0, at - self._lost) : at])
            faults.append(Fault(t_ns, "unreadable", f"{self._lost} bytes belong to no sound frame", raw))
            self._lost = 0

    @staticmethod
    def _keep(found: Reading | Fault, readings: list[Reading], faults: list[Fault]) -> None:
        if isinstance(found, Reading):
            readings.append(found)
        else:
            faults.append(found)


class MessageFramesDecoder:
    """Frames that arrive one in each notification: the radio keeps them whole."""

    def __init__(self, form: FramesFormat) -> None:
        self._reader = FrameReader(form)

    def reset(self, opened_ns: int | None = None) -> None:
        """Nothing is ever half here."""

    def feed(self, data: bytes, t_ns: int) -> Decoded:
        """See `Decoder`; `data` is one notification."""
        if len(data) != self._reader.size or not self._reader.sound(data):
            text = f"not a sound frame of {self._reader.size} bytes"
            return Decoded([], [Fault(t_ns, "unreadable", text, shown(data))])
        found = self._reader.read(data, t_ns)
        return Decoded([found], []) if isinstance(found, Reading) else Decoded([], [found])
