"""Damaged input through every decoder: nothing crashes, hangs or grows, and what wrong values get through.

    python -m tests.bench.decoder_fuzz [BYTES] [SEED]

`fuzz`: BYTES (10,000,000) for each format: sound messages of a growing count between which bytes were
lost, doubled, cut, flipped or invented, in pieces of any size; every tenth block is noise alone. A value
that was never sent is a wrong one. The longest feed of one piece is told (processor time), and the
resident memory after the first tenth and at the end.

`one damaged message`: a sound message, a damaged one, sound ones; the share of damaged messages from
which a value other than the true one came. A format with a check of n bits lets one of 2^n random
changes through, one without a check whatever still looks like a reading. A single flipped bit is always
found by each of the checks here.
"""

from __future__ import annotations

import random
import resource
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from capture.decoding import Decoder, decoder_for
from config.indicators import GattFormat, GattFramesFormat, Indicator, load_indicators
from simulators.wire import Shown, encoder_of, presentation_of

NS_A_PIECE = 1_000_000
QUIET_NS = 2_000_000_000
DAMAGES = ("flipped", "cut", "doubled", "invented", "lost", "swapped")
STEPS = 100_000  # of the resolution, either way
SPARSE = 37
"""Only every 37th count is sent in the bulk: a wrong value is taken for a true one once in so many."""


@dataclass(frozen=True, slots=True)
class Wire:
    """A wire format: how to encode a count of steps, a fresh decoder, and whether it carries a check."""

    name: str
    encode: Callable[[int], bytes]
    decoder: Callable[[], Decoder]
    step_nm: int
    check_bits: int
    messages: bool  # arrives as whole notifications


def wires() -> list[Wire]:
    """The shipped descriptions, and frames with every other check and with none."""
    shipped = load_indicators()
    made = [_wire(each.name, each) for each in shipped]
    frames = next(each for each in shipped if each.format.kind == "frames")
    for check, size, at in (("sum8", 8, 7), ("xor8", 8, 7), ("crc8", 8, 7), ("crc16-modbus", 9, 7)):
        made.append(_wire(f"frames, {check}", _changed(frames, check=check, size=size, check_at=at)))
    bare: dict[str, Any] = {"check": None, "check_at": None, "size": 7}
    made.append(_wire("frames, start alone", _changed(frames, **bare)))
    made.append(
        _wire(
            "frames, neither",
            _changed(frames, **bare, start="", status_bad={}, inch_bit=None, inch_step=None),
        )
    )
    return made


def _changed(indicator: Indicator, **form: Any) -> Indicator:
    return indicator.model_copy(
        update={"format": type(indicator.format).model_validate({**_as_written(indicator.format), **form})}
    )


def _as_written(form: Any) -> dict[str, Any]:
    """A format as the file gives it: lengths are text with a unit there."""
    written = form.model_dump()
    return {key: f"{value} nm" if key.endswith("step") and value else value for key, value in written.items()}


def _wire(name: str, indicator: Indicator) -> Wire:
    form = indicator.format
    encode = encoder_of(indicator)
    inch = indicator.resolution_nm % 254 == 0
    told = presentation_of(indicator).descriptor() if isinstance(form, GattFormat) else b""
    check = getattr(form, "check", None)
    return Wire(
        name,
        lambda count: encode(Shown(count * indicator.resolution_nm, inch)),
        lambda: decoder_for(form, presentation=told),
        indicator.resolution_nm,
        0 if check is None else 16 if check.startswith("crc16") else 8,
        isinstance(form, GattFormat | GattFramesFormat),
    )


def damaged(message: bytes, kind: str, dice: random.Random) -> bytes:
    """One message after one damage of a kind."""
    at = dice.randrange(len(message))
    match kind:
        case "flipped":
            return message[:at] + bytes([message[at] ^ 1 << dice.randrange(8)]) + message[at + 1 :]
        case "cut":
            return message[: max(1, at)]
        case "doubled":
            return message + message
        case "invented":
            return message[:at] + dice.randbytes(dice.randint(1, 6)) + message[at:]
        case "lost":
            return message[:at] + message[at + dice.randint(1, 3) :]
        case _:
            other = dice.randrange(len(message))
            swapped = bytearray(message)
            swapped[at], swapped[other] = swapped[other], swapped[at]
            return bytes(swapped)


# The bulk ------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Fuzzed:
    """What came of it: bytes fed, readings, those never sent, faults, the longest feed, memory."""

    fed: int = 0
    readings: int = 0
    wrong: int = 0
    faults: int = 0
    longest_s: float = 0.0
    memory_kib: list[int] = field(default_factory=list)


def fuzz(wire: Wire, size: int, seed: int) -> Fuzzed:
    """So many bytes through one decoder."""
    dice = random.Random(seed)
    decoder, found = wire.decoder(), Fuzzed()
    decoder.reset(0)
    count, t_ns, block = 0, QUIET_NS, 0
    while found.fed < size:
        block += 1
        if block % 10 == 0:
            pieces = [dice.randbytes(dice.randint(1, 40)) for _ in range(200)]
        else:
            messages = []
            for _ in range(500):
                count = (count + SPARSE * dice.randint(1, 50)) % (STEPS // SPARSE * SPARSE)
                message = wire.encode(count)
                broken = dice.random() < 0.3
                messages.append(damaged(message, dice.choice(DAMAGES), dice) if broken else message)
            pieces = messages if wire.messages else list(_torn(b"".join(messages), dice))
        for piece in pieces:
            t_ns += NS_A_PIECE
            began_s = time.thread_time()
            decoded = decoder.feed(piece, t_ns)
            found.longest_s = max(found.longest_s, time.thread_time() - began_s)
            found.fed += len(piece)
            found.readings += len(decoded.readings)
            found.faults += len(decoded.faults)
            found.wrong += sum(not _was_sent(reading.length_nm, wire) for reading in decoded.readings)
        if not found.memory_kib and found.fed >= size / 10:
            found.memory_kib.append(memory_kib())
    found.memory_kib.append(memory_kib())
    return found


def _was_sent(length_nm: int, wire: Wire) -> bool:
    count, rest = divmod(length_nm, wire.step_nm)
    return rest == 0 and 0 <= count < STEPS and count % SPARSE == 0


def _torn(stream: bytes, dice: random.Random) -> Iterator[bytes]:
    at = 0
    while at < len(stream):
        step = dice.choice((1, 3, 8, 20, 64, 300))
        yield stream[at : at + step]
        at += step


def memory_kib() -> int:
    """Resident memory of this process."""
    statm = Path("/proc/self/statm")
    if statm.exists():
        return int(statm.read_text().split()[1]) * resource.getpagesize() // 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


# One damaged message among sound ones --------------------------------------------------------------


def let_through(wire: Wire, kind: str, times: int, seed: int) -> float:
    """The share of damaged messages from which a wrong value came."""
    dice = random.Random(seed)
    wrong = 0
    for _ in range(times):
        counts = [dice.randrange(-STEPS, STEPS) for _ in range(6)]
        sound = [wire.encode(count) for count in counts]
        if len(set(sound[2])) == 1:
            continue  # swapped bytes would change nothing
        broken = damaged(sound[2], kind, dice)
        while broken == sound[2]:
            broken = damaged(sound[2], kind, dice)
        pieces = [*sound[:2], broken, *sound[3:]]
        decoder = wire.decoder()
        decoder.reset(0)
        t_ns = QUIET_NS
        readings = []
        for piece in pieces:
            t_ns += NS_A_PIECE
            readings += decoder.feed(piece, t_ns).readings
        true_nm = {count * wire.step_nm for count in counts}
        wrong += any(reading.length_nm not in true_nm and not reading.flag for reading in readings)
    return wrong / times


def main() -> None:
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(f"fuzz: {size:,} bytes each, seed {seed}")
    columns = (
        ("readings", 10),
        ("wrong", 8),
        ("share", 11),
        ("faults", 9),
        ("longest ms", 12),
        ("memory MiB", 16),
    )
    print(f"{'format':<26}{'check':>7}" + "".join(f"{name:>{width}}" for name, width in columns))
    for wire in wires():
        found = fuzz(wire, size, seed)
        first, last = (each / 1024 for each in found.memory_kib)
        check = f"{wire.check_bits} bit" if wire.check_bits else "none"
        share = found.wrong / max(1, found.readings)
        print(
            f"{wire.name:<26}{check:>7}{found.readings:>10}{found.wrong:>8}{share:>11.6f}{found.faults:>9}"
            f"{found.longest_s * 1000:>12.2f}{first:>8.1f} -> {last:.1f}",
            flush=True,
        )
    times = max(200, size // 1000)
    print(
        f"\none damaged message among sound ones, {times:,} of each kind: share from which a wrong value came"
    )
    print(f"{'format':<26}{'check':>7}" + "".join(f"{kind:>10}" for kind in DAMAGES))
    for wire in wires():
        shares = [let_through(wire, kind, times, seed) for kind in DAMAGES]
        check = f"{wire.check_bits} bit" if wire.check_bits else "none"
        print(f"{wire.name:<26}{check:>7}" + "".join(f"{share:>10.5f}" for share in shares), flush=True)


if __name__ == "__main__":
    main()
