"""The station's folder: which file is what, and which process owns it."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from capture.system import lock_file, replace_private
from config.errors import InputError, StoreError

DATABASE = "hubproof.sqlite"
DAEMON = "daemon.json"
INDICATORS = "indicators.toml"
KEY = "signing_key"
LOCK = "owner.lock"


@dataclass(frozen=True, slots=True)
class DaemonPlace:
    """Where a running daemon listens."""

    address: str
    pid: int
    version: str


class Owned:
    """A station's folder held by this process: one process owns the indicators and writes the record.

    Raises:
        InputError: another process holds it.
        StoreError: the folder cannot be made or written.
    """

    def __init__(self, data: Path) -> None:
        self._data = data
        self._lock: IO[str] | None = None

    def __enter__(self) -> Self:
        try:
            self._data.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._lock = lock_file(self._data / LOCK)
        except OSError as error:
            raise StoreError(
                f"cannot be written: {error.strerror or error}",
                where=str(self._data),
                do="name another folder with --data",
            ) from error
        if self._lock is None:
            place = read_place(self._data)
            who = f" (process {place.pid}, {place.address})" if place else ""
            raise InputError(
                f"another hubproof{who} works with this folder",
                where=str(self._data),
                do="stop it, or name another folder with --data",
            )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._lock is not None:
            self._lock.close()


def write_place(data: Path, place: DaemonPlace) -> None:
    """Say where the daemon listens, readable by its owner only."""
    replace_private(data / DAEMON, json.dumps(asdict(place)))


def read_place(data: Path) -> DaemonPlace | None:
    """Where the daemon of a folder said that it listens; None when it said nothing that can be read."""
    try:
        told = json.loads((data / DAEMON).read_text(encoding="utf-8"))
        return DaemonPlace(str(told["address"]), int(told["pid"]), str(told["version"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None  # no daemon, or one that was killed while it wrote


def remove_place(data: Path) -> None:
    """The daemon listens no more."""
    (data / DAEMON).unlink(missing_ok=True)
