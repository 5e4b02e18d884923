"""Writes an entry into a station's indicators file: validated before, nothing lost, the old file kept."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

from config.errors import InputError, StoreError
from config.indicators import Indicator, indicators_in
from config.toml_text import indicator_toml

KEPT = ".before"
HEADER = "# The indicators of this station; hubproof indicators learn adds to it.\n"


def add_indicator(path: Path, indicator: Indicator, *, replace: bool = False) -> Path | None:
    """Add `indicator` to the file, which is made when it is not there.

    Everything else in the file stays as it is, comments too. The file as it was is kept beside it.

    Args:
        path: the file.
        indicator: to write.
        replace: an entry of the same name is taken out.

    Returns:
        Where the file as it was is kept; None when there was none.

    Raises:
        InputError: the file is wrong already, or has an entry of that name.
        StoreError: it cannot be written.
    """
    try:
        before = path.read_text(encoding="utf-8") if path.exists() else None
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError(f"cannot be read: {error}", where=str(path)) from error
    text = HEADER if before is None else before
    named = [each.name for each in _read(text, path)]
    if indicator.name in named:
        if not replace:
            raise InputError(
                f"an indicator is named {indicator.name!r} already",
                where=str(path),
                do="give another --name, or --replace it",
            )
        text = _without(text, named.index(indicator.name))
    text = text.rstrip("\n") + "\n\n" + indicator_toml(indicator)
    _read(text, path)  # what is written is what will be read
    return _write(path, text, before)


def _read(text: str, path: Path) -> tuple[Indicator, ...]:
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"is not TOML: {error}", where=str(path)) from error
    return indicators_in(text, content, str(path))


def _without(text: str, index: int) -> str:
    """The text without entry `index`: from its header to the next one; comments above it stay."""
    lines = text.splitlines(keepends=True)
    headers = [number for number, line in enumerate(lines) if line.split("#")[0].strip() == "[[indicator]]"]
    until = headers[index + 1] if index + 1 < len(headers) else len(lines)
    while until > headers[index] + 1 and lines[until - 1].lstrip().startswith(("#", "\n")):
        until -= 1  # a comment above the next entry belongs to that
    return "".join(lines[: headers[index]] + lines[until:])


def _write(path: Path, text: str, before: str | None) -> Path | None:
    kept = path.with_name(path.name + KEPT) if before is not None else None
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        if kept is not None and before is not None:
            _place(kept, before)
        _place(path, text)
    except OSError as error:
        raise StoreError(f"cannot be written: {error.strerror}", where=str(path)) from error
    return kept


def _place(path: Path, text: str) -> None:
    """Write whole or not at all."""
    fresh = path.with_name(path.name + ".new")
    with open(fresh, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(fresh, path)
