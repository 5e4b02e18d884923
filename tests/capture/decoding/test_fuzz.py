"""Damaged input through every decoder; ten million bytes each are `python -m tests.bench.decoder_fuzz`."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.lengths import LARGEST_LENGTH_NM
from tests.bench.decoder_fuzz import QUIET_NS, Wire, fuzz, let_through, wires

WIRES = wires()
EACH = pytest.mark.parametrize("wire", WIRES, ids=[wire.name for wire in WIRES])
CHECKED = [wire for wire in WIRES if wire.check_bits]


@EACH
@settings(max_examples=20, deadline=None)
@given(st.lists(st.one_of(st.binary(max_size=200), st.integers(-99_999, 99_999)), max_size=30))
def test_nothing_breaks_a_decoder_and_it_never_gives_a_length_beyond_all_sense(
    wire: Wire, pieces: list[bytes | int]
) -> None:
    """Anything between, before and after sound messages: no error, no length above 10 m, no long fault."""
    decoder = wire.decoder()
    decoder.reset(0)
    for number, piece in enumerate(pieces):
        data = wire.encode(piece) if isinstance(piece, int) else piece
        decoded = decoder.feed(data, QUIET_NS + number)
        assert all(abs(reading.length_nm) <= LARGEST_LENGTH_NM for reading in decoded.readings)
        assert all(len(fault.raw) <= 80 and "\n" not in fault.raw for fault in decoded.faults)


@EACH
def test_a_sound_stream_after_any_damage_is_read_again(wire: Wire) -> None:
    """After noise and silence every message counts."""
    decoder = wire.decoder()
    decoder.reset(0)
    decoder.feed(bytes(range(256)) * 4, QUIET_NS)
    counts = [7, -12, 99, 1_000]
    t_ns = 2 * QUIET_NS
    decoder.feed(wire.encode(1), t_ns)  # ends what the noise began
    lengths = [r.length_nm for count in counts for r in decoder.feed(wire.encode(count), t_ns).readings]
    assert lengths == [count * wire.step_nm for count in counts]


@pytest.mark.parametrize("wire", CHECKED, ids=[wire.name for wire in CHECKED])
def test_a_flipped_bit_never_passes_a_check(wire: Wire) -> None:
    assert let_through(wire, "flipped", 300, seed=5) == 0.0


@pytest.mark.parametrize(
    "wire", [wire for wire in CHECKED if wire.check_bits == 16], ids=lambda wire: wire.name
)
def test_no_wrong_value_passes_a_check_of_sixteen_bits(wire: Wire) -> None:
    """By chance one random frame in 65,536 would: the seed is fixed, the number small beside that."""
    found = fuzz(wire, 30_000, seed=2)
    assert found.readings > 1_500
    assert found.faults > 100
    assert found.wrong == 0
