"""Rows of one record file by name, for what is kept and asked for one thing at a time: jobs, studies."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any, Self

from analysis.record.database import open_record, told
from config.clock import Clock, SystemClock


class Rows:
    """An open record whose rows are read by name; use it as a context. Raises `StoreError` when refused.

    Several processes may use a record at once.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, clock: Clock) -> None:
        self.path = path
        self._connection = connection
        self._clock = clock

    @classmethod
    def open(cls, path: Path, *, clock: Clock | None = None) -> Self:
        """Open a record, making it or bringing it up to this version as needed."""
        connection = open_record(path)
        connection.row_factory = sqlite3.Row
        return cls(path, connection, clock or SystemClock())

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _all(self, sql: str, *values: Any) -> list[sqlite3.Row]:
        with told(self.path), closing(self._connection.execute(sql, values)) as cursor:
            return cursor.fetchall()

    def _insert(self, table: str, row: Mapping[str, Any]) -> int:
        """Insert a row, within the caller's transaction; returns its key."""
        names = ", ".join(f'"{name}"' for name in row)
        marks = ", ".join("?" for _ in row)
        sql = f'INSERT INTO "{table}" ({names}) VALUES ({marks})'  # noqa: S608  names are ours, values are bound
        return int(self._connection.execute(sql, tuple(row.values())).lastrowid or 0)
