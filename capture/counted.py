"""How many of what, in words: one run, two runs."""

from __future__ import annotations


def counted(count: int, one: str, several: str | None = None) -> str:
    """``1 run``, ``2 runs``; `several` where it is more than an s behind `one`."""
    return f"{count} {one if count == 1 else several or f'{one}s'}"
