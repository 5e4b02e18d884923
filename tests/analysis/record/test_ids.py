from __future__ import annotations

from datetime import UTC, datetime, timedelta

from analysis.record import uuid7


def test_the_example_of_rfc_9562_appendix_a_6() -> None:
    """RFC 9562, A.6: 2022-02-22 14:22:22.00 GMT-05:00, rand_a 0xCC3, rand_b 0x18C4DC0C0C07398F."""
    when = datetime.fromisoformat("2022-02-22T14:22:22-05:00")
    made = uuid7(when, random_bits=0xCC3 << 62 | 0x18C4DC0C0C07398F)
    assert str(made) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"
    assert made.version == 7
    assert made.variant == "specified in RFC 4122"


def test_ids_sort_by_time_and_differ_within_a_millisecond() -> None:
    start = datetime(2026, 1, 1, tzinfo=UTC)
    made = [str(uuid7(start + timedelta(milliseconds=i))) for i in range(50)]
    assert made == sorted(made)
    assert len({uuid7(start) for _ in range(1000)}) == 1000
