"""Wakes the readers of many indicators together: a loop that is woken for every reading does little else."""

from __future__ import annotations

import asyncio
import threading
import weakref

ROUND_S = 0.008


class Rounds:
    """Wakes the readers of one event loop together, at most every `ROUND_S`.

    Eight indicators of a hundred readings a second each would else wake the loop eight hundred times,
    which costs more than all decoding. A lone reader is woken at once.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = weakref.proxy(loop)
        self._lock = threading.Lock()
        self._rung: list[asyncio.Event] = []
        self._next_s = 0.0

    def ring(self, fresh: asyncio.Event) -> None:
        """Set `fresh` in the next round; from any thread."""
        with self._lock:
            first = not self._rung
            self._rung.append(fresh)
        if first and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._begin)

    def _begin(self) -> None:
        if self._loop.time() >= self._next_s:
            self._wake()
        else:
            self._loop.call_at(self._next_s, self._wake)

    def _wake(self) -> None:
        self._next_s = self._loop.time() + ROUND_S
        with self._lock:
            rung, self._rung = self._rung, []
        for fresh in rung:
            fresh.set()


_ROUNDS: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, Rounds] = weakref.WeakKeyDictionary()


def rounds_of(loop: asyncio.AbstractEventLoop) -> Rounds:
    """The rounds of an event loop: one for all its readers."""
    return _ROUNDS.setdefault(loop, Rounds(loop))
