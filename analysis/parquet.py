"""Writes Apache Parquet files: flat tables, one page a column and row group, plain encoding, gzip.

Small on purpose: the usual library weighs 55 MB, and what a station writes needs a corner of the format.
Sources: the format's own description (apache/parquet-format: README, Encodings, parquet.thrift, version 2.x)
and the Thrift compact protocol (apache/thrift: thrift-compact-protocol.md); numbers of fields and types from
memory of these, checked in the tests against an independent reader.
"""

from __future__ import annotations

import gzip
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO, Literal

import numpy as np

MAGIC = b"PAR1"
Kind = Literal["bool", "int64", "double", "text", "utc_us"]
# physical type of the format; converted type where it has one
_TYPES: dict[Kind, tuple[int, int | None]] = {
    "bool": (0, None),
    "int64": (2, None),
    "double": (5, None),
    "text": (6, 0),
    "utc_us": (2, 10),
}
_NUMPY: dict[Kind, str] = {"int64": "<i8", "double": "<f8", "utc_us": "<i8"}
_PLAIN, _RLE, _GZIP = 0, 3, 2
_REQUIRED, _OPTIONAL = 0, 1
_I32, _I64, _BINARY, _LIST, _STRUCT = 5, 6, 8, 9, 12


@dataclass(frozen=True, slots=True)
class ParquetColumn:
    """One column. `utc_us` counts microseconds since 1970 in UTC; in an optional column None is no value."""

    name: str
    kind: Kind
    optional: bool = False


class ParquetWriter:
    """Writes row groups one after the other; `close` writes what a reader begins with."""

    def __init__(self, file: BinaryIO, columns: Sequence[ParquetColumn], facts: Mapping[str, str]) -> None:
        """`file` is opened for writing; `facts` are kept as key and value in the file."""
        self._file, self._columns, self._facts = file, tuple(columns), dict(facts)
        self._at, self._rows, self._groups = 0, 0, list[bytes]()
        self._put(MAGIC)

    def write(self, table: Mapping[str, Sequence[Any]]) -> None:
        """Write one row group: all columns of the same length, none empty."""
        count = len(table[self._columns[0].name])
        begin = self._at
        chunks = [self._chunk(column, table[column.name], count) for column in self._columns]
        group = _struct((1, _LIST, _list(_STRUCT, chunks)), (2, _I64, self._at - begin), (3, _I64, count))
        self._groups.append(group)
        self._rows += count

    def close(self) -> None:
        """Write the footer. The file itself stays open."""
        facts = [
            _struct((1, _BINARY, key.encode()), (2, _BINARY, value.encode()))
            for key, value in self._facts.items()
        ]
        root = _struct((4, _BINARY, b"schema"), (5, _I32, len(self._columns)))
        footer = _struct(
            (1, _I32, 2),
            (2, _LIST, _list(_STRUCT, [root, *map(_schema_element, self._columns)])),
            (3, _I64, self._rows),
            (4, _LIST, _list(_STRUCT, self._groups)),
            (5, _LIST, _list(_STRUCT, facts)),
            (6, _BINARY, b"hubproof"),
        )
        self._put(footer + struct.pack("<I", len(footer)) + MAGIC)

    def _put(self, content: bytes) -> None:
        self._file.write(content)
        self._at += len(content)

    def _chunk(self, column: ParquetColumn, values: Sequence[Any], count: int) -> bytes:
        if len(values) != count:
            raise ValueError(f"column {column.name} has {len(values)} values, others {count}")
        plain = _page(column, values)
        packed = gzip.compress(plain, mtime=0)
        header = _struct((1, _I32, count), (2, _I32, _PLAIN), (3, _I32, _RLE), (4, _I32, _RLE))
        page = _struct((1, _I32, 0), (2, _I32, len(plain)), (3, _I32, len(packed)), (5, _STRUCT, header))
        at = self._at
        self._put(page + packed)
        meta = _struct(
            (1, _I32, _TYPES[column.kind][0]),
            (2, _LIST, _list(_I32, [_zigzag(_PLAIN), _zigzag(_RLE)])),
            (3, _LIST, _list(_BINARY, [_bytes(column.name.encode())])),
            (4, _I32, _GZIP),
            (5, _I64, count),
            (6, _I64, len(page) + len(plain)),
            (7, _I64, len(page) + len(packed)),
            (9, _I64, at),
        )
        return _struct((2, _I64, at), (3, _STRUCT, meta))


def _schema_element(column: ParquetColumn) -> bytes:
    physical, converted = _TYPES[column.kind]
    fields: list[tuple[int, int, Any]] = [
        (1, _I32, physical),
        (3, _I32, _OPTIONAL if column.optional else _REQUIRED),
        (4, _BINARY, column.name.encode()),
    ]
    if converted is not None:
        fields.append((6, _I32, converted))
    return _struct(*fields)


def _page(column: ParquetColumn, values: Sequence[Any]) -> bytes:
    """Which values are there (of an optional column), then those that are."""
    if not column.optional:
        return _plain(column.kind, values)
    there = [value is not None for value in values]
    levels = _uvarint(((len(there) + 7) // 8) << 1 | 1) + _bits(there)
    present = [value for value in values if value is not None]
    return struct.pack("<I", len(levels)) + levels + _plain(column.kind, present)


def _plain(kind: Kind, values: Sequence[Any]) -> bytes:
    if kind == "text":
        encoded = [str(value).encode() for value in values]
        return b"".join(struct.pack("<I", len(text)) + text for text in encoded)
    if kind == "bool":
        return _bits(values)
    return np.asarray(values, dtype=_NUMPY[kind]).tobytes()


def _bits(values: Sequence[Any]) -> bytes:
    return np.packbits(np.asarray(values, dtype=np.bool_), bitorder="little").tobytes()


# Thrift's compact protocol ------------------------------------------------------------------------


def _uvarint(value: int) -> bytes:
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def _zigzag(value: int) -> bytes:
    return _uvarint(value << 1 if value >= 0 else (-value << 1) - 1)


def _bytes(content: bytes) -> bytes:
    return _uvarint(len(content)) + content


def _list(kind: int, items: Sequence[bytes]) -> bytes:
    head = bytes([len(items) << 4 | kind]) if len(items) < 15 else bytes([0xF0 | kind]) + _uvarint(len(items))
    return head + b"".join(items)


def _struct(*fields: tuple[int, int, Any]) -> bytes:
    """Fields as (number, kind, value) in rising order; lists and structs are given encoded."""
    return b"".join(_fields(fields)) + b"\0"


def _fields(fields: Iterable[tuple[int, int, Any]]) -> Iterable[bytes]:
    before = 0
    for number, kind, value in fields:
        yield bytes([(number - before) << 4 | kind])
        before = number
        if kind in (_I32, _I64):
            yield _zigzag(value)
        elif kind == _BINARY:
            yield _bytes(value)
        else:
            yield value
