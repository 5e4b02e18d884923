"""The hash chain: canonical bytes of what is stored, and links that a later change breaks.

Every reading of a run goes into one running SHA-256, kept beside the run as the readings are written.
Begun runs, ended runs and results each become a link: SHA-256 over the link before and the record's own
SHA-256 (FIPS 180-4). Whoever changes, adds or removes a record later has to compute every following link
anew, and then the last link no longer equals the one that a signed claim pack carries.
"""

from __future__ import annotations

import hashlib
import json
import struct
from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.int64]
StoredReading = tuple[int, int, int | None, str | None, str | None]
"""seq, t_ns from the run's start, length_nm, flag, raw."""

_NUMBERS = (itemgetter(0), itemgetter(1), itemgetter(2))
_FLAG, _RAW = itemgetter(3), itemgetter(4)

FORM = 1
"""How canonical bytes are made; a later form gets a new number and this one stays readable."""

FIRST_LINK = hashlib.sha256(b"hubproof chain 1").hexdigest()

RUN_BEGUN = ("id", "kind", "started_utc", "started_t_ns", "indicator", "settings", "job", "wheel", "stage")
RUN_ENDED = (*RUN_BEGUN, "state", "ended_t_ns", "readings", "rejected", "readings_sha256")
RESULT = (
    "id",
    "saved_utc",
    "kind",
    "verdict",
    "value_mm",
    "expanded_mm",
    "conformity_probability",
    "limit_max_mm",
    "limit_good_up_to_mm",
    "limit_bad_above_mm",
    "limit_source",
    "turns",
    "repeatable_mm",
    "non_repeatable_mm",
    "points_to",
    "json",
)


def reading_bytes(rows: Sequence[StoredReading]) -> bytes:
    """Canonical bytes of readings: 24 a good one (seq, t_ns, length_nm as 64-bit big-endian integers).

    Any other one has ``-1 - seq``, t_ns and the size of a JSON text, then the text itself
    ([length_nm, flag, raw]). The bytes do not depend on how readings were batched.
    """
    if all_good(rows):
        return good_bytes(good_numbers(rows))
    return b"".join(map(_one_reading, rows))


def good_numbers(rows: Sequence[StoredReading]) -> Numbers:
    """What there is of good readings, (n, 3): seq, t_ns, length_nm."""
    columns = [np.fromiter(map(column, rows), np.int64, len(rows)) for column in _NUMBERS]
    return np.stack(columns, axis=1)


def good_bytes(numbers: Numbers) -> bytes:
    """Canonical bytes of good readings, from their numbers."""
    return numbers.astype(">i8").tobytes()


def all_good(rows: Sequence[StoredReading]) -> bool:
    """Whether none of the readings has a flag or kept bytes."""
    return {None}.issuperset(map(_FLAG, rows)) and {None}.issuperset(map(_RAW, rows))


def _one_reading(row: StoredReading) -> bytes:
    seq, t_ns, length_nm, flag, raw = row
    if flag is None and raw is None:
        return struct.pack(">3q", seq, t_ns, length_nm)
    rest = canonical([length_nm, flag, raw])
    return struct.pack(">3q", -1 - seq, t_ns, len(rest)) + rest


def canonical(value: Any) -> bytes:
    """JSON with sorted keys, no blanks, UTF-8, shortest decimals: one value has one spelling."""
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def record_sha256(row: Mapping[str, Any], columns: Iterable[str], **more: Any) -> str:
    """SHA-256 of the named columns of a row and of what belongs to it, hexadecimal."""
    return hashlib.sha256(canonical({**{name: row[name] for name in columns}, **more})).hexdigest()


def link_sha256(before: str, what: str, subject: str, form: int, record: str) -> str:
    """SHA-256 of one link of the chain, hexadecimal."""
    return hashlib.sha256(canonical([before, what, subject, form, record])).hexdigest()
