"""Where in a TOML file a key stands: messages point to the line that must be changed."""

from __future__ import annotations

import re
from collections.abc import Sequence

_KEY = re.compile(r"""\s*("[^"]*"|'[^']*'|[\w-]+)\s*=""")


def line_at(text: str, table: str, index: int, path: Sequence[str] = ()) -> int | None:
    """The line (from 1) of the key `path` in entry `index` of ``[[table]]``.

    The nearest that is there is given: the key, else the sub-table that should hold it, else the entry.

    Args:
        text: of the file.
        table: name of the array of tables.
        index: which entry, from 0.
        path: ``("format", "pattern")``; one part for a key of the entry itself.

    Returns:
        None when there is no such entry.
    """
    *within, key = path or ("",)
    seen = -1
    inside: tuple[str, ...] | None = None
    entry: int | None = None
    nearest: int | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        bare = line.split("#")[0].strip() if line.lstrip().startswith("[") else line
        if bare.startswith("[["):
            seen += bare == f"[[{table}]]"
            inside = () if seen == index and bare == f"[[{table}]]" else None
            entry = number if inside is not None else entry
        elif bare.startswith("["):
            parts = tuple(bare.strip("[] ").split("."))
            inside = parts[1:] if seen == index and parts[0] == table else None
            if inside and inside in (tuple(path), tuple(within)):
                nearest = number
        elif inside == tuple(within) and (found := _KEY.match(line)) and found[1].strip("\"'") == key:
            return number
    if nearest is None and len(path) > 1:  # the table may be written within one line
        return line_at(text, table, index, path[:-1])
    return nearest or entry
