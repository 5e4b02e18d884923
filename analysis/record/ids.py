"""Names of records: UUIDs that sort by time and can be merged from many benches."""

from __future__ import annotations

import secrets
from datetime import datetime
from uuid import UUID

_RAND_A_BITS = 12
_RAND_B_BITS = 62


def uuid7(when: datetime, *, random_bits: int | None = None) -> UUID:
    """A UUID of version 7 (RFC 9562, section 5.7): 48 bits of Unix milliseconds, then random bits.

    Args:
        when: the time of day, with its time zone.
        random_bits: the 74 random bits (``rand_a`` then ``rand_b``); drawn when None.
    """
    unix_ms = int(when.timestamp() * 1000)
    if random_bits is None:
        random_bits = secrets.randbits(_RAND_A_BITS + _RAND_B_BITS)
    rand_a, rand_b = random_bits >> _RAND_B_BITS, random_bits & ((1 << _RAND_B_BITS) - 1)
    return UUID(int=unix_ms << 80 | 0x7 << 76 | rand_a << 64 | 0b10 << _RAND_B_BITS | rand_b)
