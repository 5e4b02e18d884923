"""Brings in what an unknown indicator says: over a serial port at the baud rates in use, or by asking it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from capture.decoding.identity import parse_identity
from capture.learning.confirm import Learned, Propose, Say, confirm
from capture.learning.ear import Ear
from capture.learning.frames import looks_framed, propose_frames
from capture.learning.lines import is_text, propose_from, propose_lines
from capture.links import link_for
from config.clock import Clock
from config.errors import LinkError
from config.indicators import Indicator

if TYPE_CHECKING:
    from capture.links.bluetooth_reach import Air

BAUDS = (9600, 19200, 38400, 57600, 115200, 4800, 2400, 1200)
LISTEN_S = 2.0
ANSWER_S = 0.4
IDENTIFY = "*IDN?"
QUERIES = ("MEAS?", "READ?", "FETC?")
"""IEEE 488.2 and SCPI-99: who are you, measure, read, fetch. Others are named with ``--query``."""
ENDS = ("\n", "\r\n", "\r")


def listener(
    link: dict[str, Any], clock: Clock, form: dict[str, Any] | None = None, air: Air | None = None
) -> Ear:
    """An ear on a link of which only the way is known."""
    taken = form or {"kind": "lines", "pattern": "(?P<value>.*)", "unit": "mm"}
    described = {
        "name": "to be learned", "resolution": "1 nm", "permissible_error": "1 nm", "range": "1 mm",
        "link": link, "format": taken,
    }  # fmt: skip
    return Ear(link_for(Indicator.model_validate(described), clock, air), clock)


async def learn_serial(
    link: dict[str, Any],
    say: Say,
    clock: Clock,
    *,
    bauds: Sequence[int] = BAUDS,
    known_nm: int | None = None,
    unit: str | None = None,
    query: str | None = None,
    listen_s: float = LISTEN_S,
) -> tuple[dict[str, Any], Learned]:
    """Learn what is at a serial port; the plunger rests until a known length is asked for.

    Returns:
        The keys of its link, with the baud rate, and what was learned.

    Raises:
        LinkError: nothing that can be read arrives, or the port cannot be opened.
        InputError: see `confirm`.
    """
    if "://" in str(link.get("port")):
        bauds = bauds[:1]  # a network port has no rate of its own here
    framed: int | None = None
    silent = True
    for baud in bauds if query is None else ():
        there = {**link, "baud": baud}
        async with listener(there, clock) as ear:
            say(f"Listening at {baud} baud; leave the plunger untouched.")
            await ear.wait(listen_s)
            silent = silent and not ear.data
            if not ear.data:
                break  # silence is silence at any rate
            if is_text(ear.data) and propose_lines(ear.data) is not None:
                return there, await _shown(ear, _lines, say, known_nm, unit)
            if framed is None and looks_framed(ear.chunks):
                framed = baud
    if framed is not None:
        there = {**link, "baud": framed}
        async with listener(there, clock) as ear:
            await ear.wait(listen_s)
            return there, await _shown(ear, _frames, say, known_nm, unit)
    if silent:
        return await _ask(link, say, clock, bauds, query, known_nm, unit)
    raise LinkError(
        "what arrives is neither lines nor frames that can be told",
        where=str(link.get("port") or link.get("usb")),
        do="give the --baud, --parity and --data-bits of the indicator's manual",
    )


async def _shown(ear: Ear, propose: Propose, say: Say, known_nm: int | None, unit: str | None) -> Learned:
    say("It sends:")
    show(ear, say)
    return await confirm(ear, propose, say, known_nm=known_nm, unit=unit)


def show(ear: Ear, say: Say) -> None:
    """Say the first messages as they came."""
    for example in ear.examples():
        say(f"  {example}")


def _lines(ear: Ear) -> dict[str, Any] | None:
    return propose_lines(ear.data)


def _frames(ear: Ear) -> dict[str, Any] | None:
    return propose_frames(ear.chunks)


# Asking ------------------------------------------------------------------------------------------


async def _ask(
    link: dict[str, Any],
    say: Say,
    clock: Clock,
    bauds: Sequence[int],
    query: str | None,
    known_nm: int | None,
    unit: str | None,
) -> tuple[dict[str, Any], Learned]:
    """Ask an indicator that is silent by itself."""
    for baud in bauds:
        there = {**link, "baud": baud}
        async with listener(there, clock) as ear:
            say(f"It is silent; asking at {baud} baud.")
            for end in ENDS:
                identity = await _answer(ear, IDENTIFY, end) if query is None else ""
                named = parse_identity(identity) is not None
                if named:
                    say(f"It says that it is: {identity}")
                for asked in (query,) if query else QUERIES:
                    ear.forget()
                    if propose_from([await _answer(ear, asked, end)] * 3, end) is None:
                        continue
                    say(f"It answers {asked!r} with: {ear.examples()[0] if ear.examples() else ear.data!r}")
                    ear.forget()
                    ear.query = (asked + end).encode("latin-1")
                    await ear.wait(LISTEN_S)
                    extra = {"kind": "polled", "query": asked, **({"identify": IDENTIFY} if named else {})}
                    learned = await confirm(ear, _answers(end, extra), say, known_nm=known_nm, unit=unit)
                    return there, learned
    raise LinkError(
        "nothing arrives, and no usual question is answered",
        where=str(link.get("port") or link.get("usb")),
        do="switch it on and let it send, or give the --query and --baud of its manual",
    )


async def _answer(ear: Ear, asked: str, end: str) -> str:
    """The whole line that answers, or nothing."""
    ear.forget()
    await ear.link.write((asked + end).encode("latin-1"))
    waited_s = 0.0
    while waited_s < ANSWER_S and not ear.data.endswith(end.encode()):
        await ear.wait(0.05)
        waited_s += 0.05
    text = ear.data.decode("latin-1")
    return text.strip("\r\n") if is_text(ear.data) and text.endswith(end) else ""


def _answers(end: str, extra: dict[str, Any]) -> Propose:
    def propose(ear: Ear) -> dict[str, Any] | None:
        lines = [line for line in ear.data.decode("latin-1").split(end)[:-1] if line.strip("\r\n ")]
        found = propose_from(lines, end)
        return None if found is None else {**found, **extra}

    return propose
