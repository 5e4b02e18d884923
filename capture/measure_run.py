"""Carries one run through on a station, in front of a person."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.messages import (
    IndicatorState,
    Message,
    Readings,
    RunProgress,
    RunRequest,
    RunResult,
    Trouble,
)
from capture.system import keys_pressed
from config.errors import HubproofError, InputError, LinkError

if TYPE_CHECKING:
    from analysis.results import EndplayResult, RestResult, RunoutResult
    from analysis.results_bore import BoreResult
    from capture.client import Station
    from capture.terminal import RunView

MARK_KEYS = " \r\n"
STOP_KEYS = "sSqQ\x1b"
REACH_S = 20.0
"""A Bluetooth indicator is looked for and connected within this; a port is there at once or not at all."""
REACH_LOOK_S = 0.05


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a run ended; `result` is None when there is none."""

    run: str
    state: str
    result: RunoutResult | EndplayResult | BoreResult | RestResult | None


async def carry_through(station: Station, request: RunRequest, view: RunView) -> Outcome:
    """Begin a run, show it, hand on keys, and return when it has ended.

    Raises:
        HubproofError: the run could not begin, or the station went away (what it recorded is kept).
    """
    await until_reached(station, request.indicator)
    async with station.listen() as messages, keys_pressed() as keys:
        begun = await station.start_run(request)
        for state in await station.indicators():
            if state.indicator == begun.indicator:
                view.indicator(state)
        view.progress(begun)
        pressing = asyncio.create_task(hand_on_keys(station, begun, keys, view))
        try:
            return await _follow(messages, begun, view)
        except asyncio.CancelledError:
            await station.stop_run(begun.run)  # nobody watches any more; what was read is kept
            raise
        finally:
            pressing.cancel()
            await asyncio.wait([pressing])


async def until_reached(station: Station, name: str | None) -> None:
    """Wait until the indicator is connected; it may go on being silent then.

    Raises:
        LinkError: it is not there (no such port, taken, not allowed, out of reach): why and what to do.
    """
    ends_s = 0.0
    while ends_s < REACH_S:
        states = await station.indicators()
        ours = [state for state in states if name in (None, state.indicator)]
        if len(ours) != 1:
            return  # the station says what is wrong with the name
        if ours[0].state == "lost":
            raise LinkError(ours[0].why or "is not there")
        if ours[0].port:
            return
        await asyncio.sleep(REACH_LOOK_S)
        ends_s += REACH_LOOK_S


async def _follow(messages: AsyncIterator[Message], begun: RunProgress, view: RunView) -> Outcome:
    result: RunoutResult | EndplayResult | BoreResult | RestResult | None = None
    async with contextlib.aclosing(messages):  # type: ignore[type-var]
        async for message in messages:
            if isinstance(message, Readings) and message.indicator == begun.indicator:
                view.readings(message)
            elif isinstance(message, IndicatorState) and message.indicator == begun.indicator:
                view.indicator(message)
            elif isinstance(message, RunResult) and message.run == begun.run:
                result = message.result
            elif isinstance(message, Trouble):
                view.trouble(message.where, message.text)
            elif isinstance(message, RunProgress) and message.run == begun.run:
                view.progress(message)
                if message.state in ("done", "interrupted"):
                    return Outcome(begun.run, message.state, result)
    raise LinkError(
        "the station ended before the run did", where=f"run {begun.run}", do="what was read is kept"
    )


async def hand_on_keys(station: Station, begun: RunProgress, keys: asyncio.Queue[str], view: RunView) -> None:
    """Marks and the wish to stop, from keys to the station, until cancelled or the run has ended."""
    while True:
        key = await keys.get()
        try:
            if key in MARK_KEYS and begun.kind == "runout":
                await station.mark(begun.run)
            elif key in STOP_KEYS:
                await station.stop_run(begun.run)
        except InputError:
            return  # the run ended a moment ago
        except HubproofError as error:
            view.trouble("key", error.line())
