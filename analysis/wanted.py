"""Whether an answer is still waited for: a long search that is no longer wanted ends at its next fit.

It changes no figure: a search is either finished as ever, or ends in `NotWantedError` without an answer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar


class NotWantedError(Exception):
    """Nobody waits for the answer any more."""


_wanted: ContextVar[Callable[[], bool] | None] = ContextVar("wanted", default=None)


@contextmanager
def only_while(wanted: Callable[[], bool]) -> Iterator[None]:
    """Searches in this block, of this thread or task alone, go on for as long as `wanted` says so."""
    token = _wanted.set(wanted)
    try:
        yield
    finally:
        _wanted.reset(token)


def go_on_if_wanted() -> None:
    """Call between the pieces of a long search.

    Raises:
        NotWantedError: the answer is waited for no longer.
    """
    wanted = _wanted.get()
    if wanted is not None and not wanted():
        raise NotWantedError
