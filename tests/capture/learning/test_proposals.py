"""Formats proposed from bytes alone, against the simulator's writers, which follow a description."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from capture.decoding import decoder_for
from capture.learning.frames import looks_framed, propose_frames
from capture.learning.lines import propose_from, propose_lines
from capture.learning.scale import sign_from, step_from, unit_from
from capture.links.base import Chunk
from config.errors import InputError
from config.indicators import FramesFormat, Indicator, LinesFormat, load_indicators
from simulators.wire import Shown, encoder_of

SHIPPED = {each.name: each for each in load_indicators()}
MOVING_STEPS = [*range(-40, 1_200, 7), *range(1_200, 900, -11)] + [900] * 20


def sent(described: Indicator) -> tuple[list[bytes], list[int]]:
    """Messages while the plunger moves, and the lengths that they mean, nm."""
    encode = encoder_of(described)
    lengths = [steps * described.resolution_nm for steps in MOVING_STEPS]
    inch = described.resolution_nm % 1270 == 0
    return [encode(Shown(length, inch)) for length in lengths], lengths


def chunks(messages: list[bytes], *, torn: bool = False) -> list[Chunk]:
    """One message each 20 ms; torn: the stream in pieces of 7 bytes without silence."""
    if not torn:
        return [Chunk(message, n * 20_000_000) for n, message in enumerate(messages)]
    stream = b"".join(messages)[3:]
    return [Chunk(stream[at : at + 7], at * 1_000) for at in range(0, len(stream), 7)]


def read_again(form: LinesFormat | FramesFormat, messages: list[bytes]) -> list[int]:
    decoder = decoder_for(form)
    decoder.reset(0)
    stream = b"".join(messages)
    return [reading.length_nm for reading in decoder.feed(stream, 10**9).readings]


@pytest.mark.parametrize("name", ["bench", "bench-inch", "bench-polled"])
def test_lines_are_read_as_they_were_meant(name: str) -> None:
    messages, lengths = sent(SHIPPED[name])
    proposed = propose_lines(b"".join(messages))
    assert proposed is not None
    unit = {} if "units" in proposed else {"unit": "in" if name == "bench-inch" else "mm"}
    form = LinesFormat.model_validate({**proposed, **unit})
    assert form.terminator == SHIPPED[name].format.terminator  # type: ignore[union-attr]
    assert read_again(form, messages) == lengths


@pytest.mark.parametrize(
    ("lines", "good", "refused"),
    [
        # value and unit with a blank, another line with the other unit may follow
        (["R: 01.234 mm", "R: 01.240 mm", "R:-00.001 mm"], "R: 00.5 in", "R: 01.234 um"),
        # a decimal comma, no unit: three decimals belong to the unit, five would be another one
        (["0,123", "0,125", "-1,000"], "2,222", "0,12345"),
        # a status of which only the usual was seen often
        (["1.000mmN"] * 9 + ["1.001mmN", "1.002mmN"], "3.000mmN", "3.000mmH"),
        # a counter before the value
        (["17;+0.001;mm", "18;+0.002;mm", "19;+0.004;mm"], "20;-0.004;mm", "20;-0.004;"),
        (["  12", "  13", " -14"], " 999", " 9.99"),
        (["+1.0000E-01", "+1.0010E-01", "-2.0E+00"], "+1.5E-03", "+1.5"),
    ],
)
def test_other_lines_and_what_they_would_not_take(lines: list[str], good: str, refused: str) -> None:
    proposed = propose_from(lines, "\n")
    assert proposed is not None
    form = LinesFormat.model_validate({**proposed, **({} if "units" in proposed else {"unit": "mm"})})
    decoder = decoder_for(form)
    decoder.reset(0)
    decoded = decoder.feed(f"{good}\n{refused}\n".encode(), 10**9)
    assert len(decoded.readings) == 1
    assert [fault.code for fault in decoded.faults] == ["unreadable"]


def test_a_status_that_was_seen_is_kept_as_bad() -> None:
    proposed = propose_from(["1.000 mm "] * 9 + ["1.000 mmH"], "\n")
    assert proposed is not None
    form = LinesFormat.model_validate(proposed)
    decoder = decoder_for(form)
    decoder.reset(0)
    one, two = decoder.feed(b"1.000 mm \n1.000 mmH\n", 10**9).readings
    assert (one.flag, two.flag) == (None, "the indicator says 'H'")


@pytest.mark.parametrize("torn", [False, True])
def test_frames_with_their_check_and_value(torn: bool) -> None:
    described = SHIPPED["bench-frames"]
    messages, lengths = sent(described)
    proposed = propose_frames(chunks(messages, torn=torn))
    assert proposed is not None
    truth = described.format
    assert isinstance(truth, FramesFormat)
    assert (proposed["size"], proposed["check"], proposed["check_at"]) == (9, "crc16-ccitt", 7)
    assert proposed["start"].startswith("a55a")
    form = FramesFormat.model_validate({**proposed, "step": "0.001 mm"})
    assert read_again(form, messages) == lengths


@pytest.mark.parametrize(
    ("kind", "value_at", "check"),
    [("<h", 1, "crc8"), (">h", 2, "xor8"), (">i", 1, "sum8"), ("<i24", 1, "crc16-modbus"), (">i24", 2, None)],
)
def test_other_layouts(kind: str, value_at: int, check: str | None) -> None:
    width = {None: 0, "crc16-modbus": 2}.get(check, 1)
    size = 7 + width
    layout: dict[str, Any] = {
        "kind": "frames", "start": "7e", "size": size, "value_at": value_at, "value_type": kind,
        "step": "0.001 mm",
    }  # fmt: skip
    layout |= {"check": check, "check_at": 7} if check else {}
    described = SHIPPED["bench-frames"].model_copy(update={"format": FramesFormat.model_validate(layout)})
    messages, lengths = sent(described)
    proposed = propose_frames(chunks(messages))
    assert proposed is not None
    assert proposed.get("check") == check
    form = FramesFormat.model_validate({**proposed, "step": "0.001 mm"})
    assert read_again(form, messages) == lengths


@pytest.mark.parametrize(
    "data",
    [b"", b"hello\r\nworld\r\nagain\r\nand\r\n", bytes(range(256)) * 20, b"\x00" * 500, b"\xff\xfe" * 300],
)
def test_what_is_no_indicator_is_not_taken_for_one(data: bytes) -> None:
    assert propose_lines(data) is None
    assert propose_frames([Chunk(data[at : at + 9], at * 10**7) for at in range(0, len(data), 9)]) is None


@pytest.mark.parametrize("together", [1, 2, 3])
def test_frames_that_a_converter_holds_back_and_that_never_went_below_zero(together: int) -> None:
    """Several frames in each piece, and high bytes that never move: only the check tells where one begins."""
    encode = encoder_of(SHIPPED["bench-frames"])
    messages = [encode(Shown(1_000 * (steps % 1_100))) for steps in range(0, 3_000, 11)]
    pieces = [b"".join(messages[at : at + together]) for at in range(0, len(messages), together)]
    stream = [Chunk(piece, n * 16_000_000) for n, piece in enumerate(pieces)]
    stream[0] = Chunk(pieces[0][4:], 0)  # opened in the middle of a frame
    proposed = propose_frames(stream)
    assert proposed is not None
    assert (proposed["size"], proposed["check"], proposed["value_at"]) == (9, "crc16-ccitt", 3)


def test_frames_in_which_one_byte_alone_moved_are_not_told() -> None:
    """On which side the higher bytes are is open: the known length must be longer."""
    encode = encoder_of(SHIPPED["bench-frames"])
    messages = [encode(Shown(steps * 1_000)) for steps in [*range(0, 90, 3)] * 3]
    assert propose_frames(chunks(messages)) is None


@pytest.mark.parametrize(
    ("moved", "known_nm", "found"),
    [
        ("1.003", 1_000_000, ("mm", 1)),
        ("-1.003", 1_000_000, ("mm", -1)),
        ("0.03937", 1_000_000, ("in", 1)),
        ("998", 1_000_000, ("um", 1)),
        ("0.100", 2_540_000, ("in", 1)),
    ],
)
def test_the_unit_and_the_sign_come_from_the_known_length(
    moved: str, known_nm: int, found: tuple[str, int]
) -> None:
    assert unit_from(Decimal(moved), known_nm) == found


def test_a_length_that_fits_no_unit_or_step_is_refused() -> None:
    with pytest.raises(InputError, match=r"the reading moved by 0\.5 where 1\.0000 mm was set"):
        unit_from(Decimal("0.5"), 1_000_000)
    with pytest.raises(InputError, match="moved by 0"):
        step_from(0, 1_000_000)
    with pytest.raises(InputError, match=r"moved by 2\.000 mm"):
        sign_from(2_000_000.0, 1_000_000)


def test_steps_of_counts() -> None:
    assert step_from(1_003, 1_000_000) == (1_000, 1)
    assert step_from(-787, 1_000_000) == (1_270, -1)
    assert step_from(3_940, 1_000_000) == (254, 1)
    assert sign_from(-1_002_000.0, 1_000_000) == -1


def test_notifications_that_come_together_are_frames_all_the_same() -> None:
    """A radio delivers several at once: each is one message, whatever the silence between them."""
    encode = encoder_of(SHIPPED["bench-bluetooth-frames"])
    messages = [encode(Shown(1_000 * (n % 2))) for n in range(40)]
    together = [Chunk(message, n // 3 * 30_000_000) for n, message in enumerate(messages)]
    together += [Chunk(message, 20 * 30_000_000) for message in messages[:4]]
    assert looks_framed(together, whole=True)


def test_a_flicker_at_rest_is_no_known_length() -> None:
    """Two values alone, a little more often the upper one: its mean creeps, nothing was set."""
    from capture.learning.confirm import _moved
    from capture.reading import Reading

    lengths = [0, 0, 1_000] * 60 + [0, 1_000, 1_000] * 60
    readings = [Reading(n * 20_000_000, length, "mm") for n, length in enumerate(lengths)]
    assert _moved(readings) is None
    there = [*readings, *(Reading((360 + n) * 20_000_000, 1_000_000, "mm") for n in range(60))]
    assert _moved(there) == pytest.approx(1_000_000, abs=1_000)
