"""One run: takes readings, follows its course, looks at the readings now and then, and ends by itself."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from math import inf
from typing import Literal

from analysis.record import RunRef
from analysis.values import Setup
from analysis.wanted import NotWantedError
from capture.course import SETTLE_S, Course, Seen, Step
from capture.measuring import likely_in, seen_in
from capture.messages import IndicatorState, RunProgress, RunRequest, SoFar, Trouble
from capture.reading import Fault, Reading
from capture.recorder import Row
from capture.run_buffer import RunBuffer
from capture.so_far import between_marks, look
from capture.warnings import end_warning, says_unit, unit_warning
from capture.zero_watch import TEXTS, ZeroWatch
from config.clock import NS_PER_S, Clock
from config.indicators import Indicator
from config.limits import Limit

log = logging.getLogger(__name__)

TICK_S = 0.1
LET_GO_S = 0.6
"""Turned far enough, a hub that stands for this long was let go: a pause of the hand would lose nothing."""
SURE_MARKS = 2  # one tap may be a slip of the foot
NOT_WHOLE = 0.1
LOOK_S = 0.7
LOOK_SHARE = 3.0  # a look that took long is followed by a pause of so many times its length
RECENT_NS = 750_000_000
COUNT_TOLD_NS = 250_000_000

FASTEST_S = {"runout": 1.5, "endplay": 0.5, "bore": 1.0}
"""No hand turns a hub, pushes and pulls it to rest, or gauges a place in less: a guard for the live count."""

UNIT_SWITCHED = "unit_switched"
HOLD_S = 12.0
"""A hub that is turned or pushed by hand changes the reading by a step in less, unless it is at rest."""

LEAP_OF_A_HAND_NM = 500_000
"""Hands that push and pull can make a leap of less between two readings, and let it come back to 0."""


def _zero_watch(request: RunRequest, indicator: Indicator) -> ZeroWatch | None:
    """A watch over the zero, where leaps do not belong to the measurement."""
    if request.kind in ("runout", "rest"):
        return ZeroWatch(indicator.resolution_nm)
    return ZeroWatch(indicator.resolution_nm, LEAP_OF_A_HAND_NM) if request.kind == "endplay" else None


class Run:
    """A run that goes on.

    Args:
        ref: as begun in the record.
        request: what was asked.
        indicator: the instrument.
        limit: applied to the result; live looks go without.
        setup: of the instrument.
        started_t_ns: monotonic clock at the start.
        clock: the station's clock.
        state_of: how the indicator stands now.
        publish: takes each new progress, what was seen so far, and trouble with it.
        verdict_due: whether a run, this or another, has ended and is being judged: looks give way to it.
    """

    def __init__(
        self,
        ref: RunRef,
        request: RunRequest,
        indicator: Indicator,
        limit: Limit | None,
        setup: Setup,
        *,
        started_t_ns: int,
        clock: Clock,
        state_of: Callable[[], IndicatorState],
        publish: Callable[[RunProgress | SoFar | Trouble], None],
        verdict_due: Callable[[], bool] = lambda: False,
        warnings: tuple[str, ...] = (),
    ) -> None:
        self.ref, self.request, self.indicator = ref, request, indicator
        self.limit, self.setup = limit, setup
        self.buffer = RunBuffer(
            started_t_ns,
            indicator.resolution_nm,
            keeps_all=request.kind != "trace",
            zero=_zero_watch(request, indicator),
            whole_steps=not says_unit(indicator),
        )
        self._clock = clock
        self._state_of = state_of
        self._publish = publish
        self._verdict_due = verdict_due
        self.judged_now = False  # its readings are complete and somebody waits for the verdict
        self._warnings = warnings
        asked = {"runout": request.turns, "endplay": float(request.strokes)}.get(request.kind)
        if request.kind == "bore" and request.bore is not None and request.bore.places is not None:
            asked = float(request.bore.places)
        self._asked = asked
        self._course = Course(request.kind, inf if asked is None else asked)
        self._count: float | None = None
        self._last_count: float | None = None
        self._likely: float | None = None
        self._fault_told = False
        self._passed_ns: list[int] = []
        self._gaps = self._checked = 0
        self._shown = False  # whether a look told angles or strokes
        self._stopped = asyncio.Event()
        self._switched = self._near_end = self._zero_told = self._moved_at_all = False
        self._stands_nm: int | None = None
        self._stands_since_ns = started_t_ns
        self._last_say = "Stopped."
        self._news: object = None
        self._told_ns = 0
        self.progress = self._progress(Step("waiting", "Waiting for the indicator."))

    # What arrives --------------------------------------------------------------------------------

    def take(self, readings: list[Reading]) -> list[Row]:
        """Readings of the indicator; returns the rows to record."""
        if any(reading.length_nm != self._stands_nm for reading in readings):
            self._stands_nm, self._stands_since_ns = readings[-1].length_nm, readings[-1].t_ns
            self._moved_at_all = len(self.buffer) > 0
        return self.buffer.add(readings)

    def take_faults(self, faults: list[Fault]) -> list[Row]:
        """What was no reading; returns the rows to record."""
        return self.buffer.add_faults(faults)

    def unit_switched(self) -> str | None:
        """The sentence for the first reading in another unit than the run began in; told once."""
        began, other = self.buffer.unit, self.buffer.other_unit
        if self._switched or other is None:
            return None
        self._switched = True
        text = f"the indicator was switched from {began} to {other}; those readings are kept apart"
        self.warn(f"Unit switched from {began} to {other}: switch back, those readings are not used.")
        return text

    def zero_changed(self) -> tuple[str, str] | None:
        """The code and the sentence when the zero was changed in mid-run; told once."""
        zero = self.buffer.zero
        if zero is None or zero.confirmed is None or self._zero_told:
            return None
        self._zero_told = True
        text = TEXTS[zero.confirmed]
        self.warn(f"{text[0].upper()}{text[1:]}: readings from there on are not used; measure again.")
        return zero.confirmed, f"{text}; the readings from there on are kept apart"

    def warn(self, text: str) -> None:
        """Add a warning that stays in sight until the end."""
        if text not in self._warnings:
            self._warnings += (text,)

    def mark(self, t_ns: int) -> None:
        """The index mark passed."""
        self.buffer.add_mark(t_ns)
        last_ns = self._passed_ns[-1] if self._passed_ns else None
        if last_ns is None or t_ns - last_ns >= FASTEST_S["runout"] * NS_PER_S:  # not the same one again
            self._passed_ns.append(t_ns)
            if not self._shown and len(self._passed_ns) > 1:
                self._publish(between_marks(self.ref.id, self._passed_ns))

    def gap(self) -> None:
        """The indicator was away for a while."""
        self._gaps += 1

    def stop(self) -> None:
        """End the run with what it has."""
        self._stopped.set()

    # The course ----------------------------------------------------------------------------------

    async def go_on(self) -> None:
        """Follow the run until enough was seen or it was stopped."""
        following = asyncio.create_task(self._follow_course())
        stopped = asyncio.create_task(self._stopped.wait())
        try:
            await asyncio.wait({following, stopped}, return_when=asyncio.FIRST_COMPLETED)
            if following.done():
                following.result()
        finally:
            following.cancel()
            stopped.cancel()
            await asyncio.wait({following, stopped})

    async def _follow_course(self) -> None:
        looking = asyncio.create_task(self._look_again_and_again())
        try:
            while True:
                step = self._course.step(self._seen())
                if step.state == "done":
                    self._last_say = step.say
                    return
                self._check_unit()
                self._tell(step)
                if looking.done() and (fault := looking.exception()) is not None:
                    self._tell_fault(fault)
                    looking = asyncio.create_task(self._look_again_and_again())
                await self._clock.sleep(TICK_S)
        finally:
            looking.cancel()
            await asyncio.wait([looking])

    def _seen(self) -> Seen:
        buffer = self.buffer
        now_ns = self._clock.monotonic_ns()
        first_ns, last_ns = buffer.first_t_ns, buffer.last_t_ns
        fresh = last_ns is not None and now_ns - last_ns < RECENT_NS
        state = self._state_of()
        trouble = f"{state.indicator}: {state.why}" if state.state in ("stale", "lost") else None
        return Seen(
            now_s=(now_ns - buffer.started_t_ns) / NS_PER_S,
            first_reading_s=None if first_ns is None else (first_ns - buffer.started_t_ns) / NS_PER_S,
            moving=buffer.moving(LET_GO_S if self._turned_enough() else SETTLE_S) if fresh else None,
            count=self._seen_so_far(),
            trouble=trouble,
            likely=self._likely,
        )

    def _turned_enough(self) -> bool:
        return self.request.kind == "runout" and self.progress.state == "enough"

    def _comes_to_its_end(self) -> bool:
        """Turned enough and at rest: a look could tell nothing new, and would hold up the result."""
        return self._turned_enough() and self.buffer.moving(LET_GO_S / 2) is False

    def _check_unit(self) -> None:
        if len(self.buffer) != self._checked:
            self._checked = len(self.buffer)
            self._check_readings(self.buffer.last_lengths_nm())
        stands_s = (self._clock.monotonic_ns() - self._stands_since_ns) / NS_PER_S
        if self._moved_at_all and stands_s > HOLD_S and self.request.kind != "trace":
            self.warn(f"The reading has stood still for {HOLD_S:g} s: if the hub moves, hold is on.")

    def _check_readings(self, newest_nm: list[int]) -> None:
        warning = unit_warning(self.indicator, self.buffer.unit, newest_nm)
        if warning is not None:
            self.warn(warning)
        near_end = end_warning(self.indicator, newest_nm)
        if near_end is not None and not self._near_end:
            self._near_end = True  # once: its figure changes with every reading
            self.warn(near_end)

    async def _look_again_and_again(self) -> None:
        """Count turns or strokes in the readings so far, in a worker thread."""
        if self.request.kind not in FASTEST_S:
            return
        pause_s, looked_at = LOOK_S, 0
        while True:
            await self._clock.sleep(pause_s)
            if len(self.buffer) in (0, looked_at) or self._comes_to_its_end() or self._verdict_due():
                continue
            before, looked_at = looked_at, len(self.buffer)
            began_ns = self._clock.monotonic_ns()
            asked = (self.ref.id, self.request, self.buffer.trace(), self.setup, self.buffer.started_t_ns)
            try:
                result, shown = await asyncio.to_thread(look, *asked, lambda: not self._verdict_due())
            except NotWantedError:
                looked_at = before
                continue
            self._counted(seen_in(result))
            self._likely = likely_in(result)
            if shown is not None:
                self._shown = True
                self._publish(shown)
            took_s = (self._clock.monotonic_ns() - began_ns) / NS_PER_S
            pause_s = max(LOOK_S, LOOK_SHARE * took_s)

    def _tell_fault(self, fault: BaseException) -> None:
        """A fault of the analysis costs the live count, never a reading; told once, tried again."""
        text = (
            f"the live count failed ({type(fault).__name__}: {fault}); stop the run by hand when it is enough"
        )
        if self._fault_told:
            log.debug("run %s: %s", self.ref.id, text)
            return
        self._fault_told = True
        log.error("run %s: %s", self.ref.id, text, exc_info=fault)
        self.warn("The live count failed: stop the run by hand. Readings and the result go on.")
        self._publish(Trouble(where=f"run {self.ref.id}", text=text))

    def _seen_so_far(self) -> float | None:
        """Turns or strokes so far; between two passings of the index mark lies a turn."""
        passed = len(self._passed_ns) - 1
        return self._count if passed < 1 else max(self._count or 0.0, float(passed))

    def _counted(self, count: float | None) -> None:
        """A count holds when two looks in a row agree on it and no hand was faster."""
        before, self._last_count = self._last_count, count
        if count is None or before is None:
            self._count = None if count is None or self.request.kind == "runout" else count
            return
        first_ns, last_ns = self.buffer.first_t_ns, self.buffer.last_t_ns
        assert first_ns is not None
        assert last_ns is not None
        fastest = (last_ns - first_ns) / NS_PER_S / FASTEST_S[self.request.kind]
        self._count = min(count, before, fastest, self._most_by_marks())

    def _most_by_marks(self) -> float:
        """No look may count more than the tapped marks allow: less than a turn lies before and after them.

        Where a tap was missed the run goes on a little longer; one that ends too soon has no second turn.
        """
        taps = len(self._passed_ns)
        return inf if taps < SURE_MARKS else taps + 1.0 - NOT_WHOLE

    # Progress ------------------------------------------------------------------------------------

    def _progress(self, step: Step) -> RunProgress:
        return RunProgress(
            run=self.ref.id,
            kind=self.request.kind,
            indicator=self.indicator.name,
            state=step.state,
            say=step.say,
            seen=self._seen_so_far(),
            asked=self._asked,
            readings=len(self.buffer),
            flagged=self.buffer.flagged,
            gaps=self._gaps,
            marks=self.buffer.marks,
            warnings=self._warnings,
        )

    def _tell(self, step: Step) -> None:
        """Tell what is new at once, and that there are more readings now and then: each is told itself."""
        buffer, now_ns = self.buffer, self._clock.monotonic_ns()
        news = (step, self._seen_so_far(), buffer.flagged, self._gaps, buffer.marks, self._warnings)
        if news == self._news and now_ns - self._told_ns < COUNT_TOLD_NS:
            return
        self._news, self._told_ns = news, now_ns
        progress = self._progress(step)
        if progress != self.progress:
            self.progress = progress
            self._publish(progress)

    def end(self, state: Literal["done", "interrupted"]) -> None:
        """Tell the last state; no message of this run comes after it."""
        interrupted = "The run was interrupted; what was read is kept."
        self._tell(Step(state, self._last_say if state == "done" else interrupted))
