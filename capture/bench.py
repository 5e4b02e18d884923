"""The bench: owns the indicators, the recorder and the runs. The daemon and the commands stand on it."""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Callable, Coroutine, Iterable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import TracebackType
from typing import Self

from analysis.record import EndState, RunRef, Store
from analysis.record.second import SECOND_RUN
from analysis.results import RestResult
from capture.checking import Checks
from capture.clock_watch import CLOCK_STEPPED, follow_clock
from capture.fanout import Fanout
from capture.folder import DATABASE
from capture.links import Link, link_for
from capture.live import LiveReadings
from capture.measuring import as_applied, conclude_in, limit_for, load, setup_for
from capture.messages import (
    Health,
    IndicatorState,
    RunProgress,
    RunRequest,
    RunResult,
    Trouble,
)
from capture.reading import Fault, Reading
from capture.recorder import Recorder, RecorderState
from capture.run import UNIT_SWITCHED, Run
from capture.second_runs import SecondRuns
from capture.set_up import SetUp, set_up
from capture.supervisor import Supervisor
from capture.warnings import nut_warning, set_up_warnings
from config.clock import Clock, SystemClock
from config.errors import HubproofError, InputError
from config.indicators import Indicator, indicator_named, none_described
from config.limits import Limit

log = logging.getLogger(__name__)

OpenLink = Callable[[Indicator, Clock], Link]


@dataclass(slots=True)
class Counted:
    """What came from an indicator since the station's start: readings, and times without any."""

    readings: int = 0
    gaps: int = 0


class Bench:
    """One station at work; use it as an async context.

    Args:
        data: the station's folder; the record is in it.
        indicators: those to supervise.
        limits: of the station.
        clock: the station's clock.
        open_link: makes a link to an indicator.
    """

    def __init__(
        self,
        data: Path,
        indicators: Sequence[Indicator],
        limits: tuple[Limit, ...],
        *,
        clock: Clock | None = None,
        open_link: OpenLink = link_for,
    ) -> None:
        self.clock: Clock = clock or SystemClock()
        self._data = data
        self._indicators = tuple(indicators)
        self._limits = limits
        self._fanout = Fanout()
        self._live = LiveReadings(self._fanout, self.clock)
        self.checks = Checks(self)
        self._seconds = SecondRuns(self)
        self._supervisors = {
            indicator.name: Supervisor(indicator, self.clock, self, open_link) for indicator in indicators
        }
        self._counts = {indicator.name: Counted() for indicator in indicators}
        self._runs: dict[str, Run] = {}  # by id, those that go on
        self._run_of: dict[str, Run] = {}  # by indicator
        self._beginning: set[str] = set()  # indicators whose run is being written down just now
        self._holder_moved: dict[str, bool | None] = {}
        self._last_nm: dict[str, int] = {}  # the newest length, by indicator
        self._tasks: set[asyncio.Task[None]] = set()
        self._run_tasks: dict[str, asyncio.Task[None]] = {}
        self._store: Store | None = None
        self._recorder: Recorder | None = None
        self.recovered: tuple[RunRef, ...] = ()

    # Beginning and end ---------------------------------------------------------------------------

    async def __aenter__(self) -> Self:
        """Open the record, close what was cut off, and connect the indicators.

        Raises:
            StoreError: the record cannot be used.
        """
        self._store = await asyncio.to_thread(Store.open, self._data / DATABASE, clock=self.clock)
        self.recovered = await asyncio.to_thread(self._store.recover)
        for ref in self.recovered:
            log.warning("run %s was cut off; it is closed as interrupted with what was stored", ref.id)
        loop = asyncio.get_running_loop()
        self._recorder = Recorder(
            self._store, self.clock, lambda text: loop.call_soon_threadsafe(self._recording_trouble, text)
        )
        for supervisor in self._supervisors.values():
            self.spawn(supervisor.run(), f"indicator {supervisor.indicator.name}")
        self.spawn(self._live.run(), "live readings")
        self.spawn(follow_clock(self.clock, self._clock_stepped), "clock")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop everything; runs that go on end as interrupted, all readings are flushed."""
        await self.end_runs()
        await _cancel(self._tasks)
        assert self._recorder is not None
        assert self._store is not None
        lost = await self._recorder.close()
        if lost:
            log.critical("%d readings were lost because the disk refused", lost)
        self._fanout.close()
        await asyncio.to_thread(self._store.close)

    async def end_runs(self) -> None:
        """End the runs that go on as interrupted; what was read is kept."""
        await _cancel(self._run_tasks.values())

    def spawn(self, work: Coroutine[None, None, None], name: str) -> asyncio.Task[None]:
        """A task that ends with the bench at the latest; its failure is told to everyone."""
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._task_ended)
        return task

    def _task_ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            log.error("%s ended unexpectedly", task.get_name(), exc_info=error)
            self._fanout.publish(Trouble(where=task.get_name(), text=f"ended unexpectedly: {error}"))

    def _clock_stepped(self, text: str) -> None:
        log.warning("%s", text)
        for run in self._run_of.values():
            run.warn(text[0].upper() + text[1:] + ".")
            self.on_event(run.indicator.name, self.clock.monotonic_ns(), CLOCK_STEPPED, text)

    def _recording_trouble(self, text: str | None) -> None:
        if text is None:
            self._fanout.publish(Trouble(where="record", text="recording again"))
        else:
            self._fanout.publish(Trouble(where="record", text=f"not recording: {text}"))

    # What is asked -------------------------------------------------------------------------------

    @property
    def store(self) -> Store:
        """The open record; reading from it is allowed from any thread."""
        assert self._store is not None, "the bench was not entered"
        return self._store

    @property
    def fanout(self) -> Fanout:
        """Where messages go."""
        return self._fanout

    def indicators(self) -> tuple[IndicatorState, ...]:
        """How each indicator stands."""
        return tuple(supervisor.state for supervisor in self._supervisors.values())

    def described(self) -> tuple[Indicator, ...]:
        """The indicators as they are described to this station."""
        return self._indicators

    def active(self) -> tuple[RunProgress, ...]:
        """The runs that go on."""
        return tuple(run.progress for run in self._runs.values())

    def recording(self) -> RecorderState:
        """Figures of the recorder."""
        assert self._recorder is not None
        return self._recorder.state

    def counts(self) -> dict[str, Counted]:
        """What came from each indicator."""
        return {name: replace(counted) for name, counted in self._counts.items()}

    @property
    def is_well(self) -> bool:
        """Whether what keeps readings is at work; a disk that refuses is no illness of the station."""
        return self._recorder is not None and self._recorder.is_alive

    def health(self) -> Health:
        """The station's own figures."""
        assert self._recorder is not None
        state = self._recorder.state
        return Health(
            version=own_version(),
            pid=os.getpid(),
            state="not recording" if state.failing else "ok",
            why=state.failing,
            indicators={each.indicator: each.state for each in self.indicators()},
            active_runs=tuple(self._runs),
            readings_waiting=state.waiting,
            readings_stored=state.stored,
            readings_dropped=state.dropped,
            slowest_write_ms=round(state.slowest_write_ns / 1e6, 3),
            listeners=len(self._fanout),
        )

    def set_up(self, request: RunRequest) -> SetUp:
        """The points to look at before such a run.

        Raises:
            InputError: no such indicator; a bad limit.
        """
        indicator = self._indicator(request.indicator)
        last_nm = self._last_nm.get(indicator.name)
        return set_up(
            indicator,
            self._supervisors[indicator.name].state,
            limit_for(request, self._limits),
            self.clock.utc().date(),
            lengths_nm=() if last_nm is None else (last_nm,),
            holder_moved=self._holder_moved.get(indicator.name),
        )

    async def start_run(self, request: RunRequest) -> RunProgress:
        """Begin a run.

        Raises:
            InputError: no such indicator, or one that is in a run already; a bad limit.
            StoreError: the record refuses.
        """
        indicator = self._indicator(request.indicator)
        other = self._run_of.get(indicator.name)
        if other is not None or indicator.name in self._beginning:
            which = "a run that just begins" if other is None else f"run {other.ref.id}"
            raise InputError(f"indicator {indicator.name!r} is in {which}", do="stop that run, or let it end")
        self._beginning.add(indicator.name)  # from here on others of the same moment are refused
        try:
            return await self._begin(request, indicator)
        finally:
            self._beginning.discard(indicator.name)

    async def _begin(self, request: RunRequest, indicator: Indicator) -> RunProgress:
        nut = nut_warning(request.kind, request.nut_torqued)
        limit = limit_for(request, self._limits)
        setup = setup_for(request, indicator, self._holder_moved.get(indicator.name))
        settings = as_applied(request, setup, limit)
        second_run = await self._seconds.begin(request, indicator.name)
        if second_run is not None:
            settings[SECOND_RUN] = second_run
        started_t_ns, started_utc = self.clock.monotonic_ns(), self.clock.utc()
        ref: RunRef | None = None
        try:
            ref = await asyncio.to_thread(
                self.store.begin_run,
                request.kind,
                indicator.model_dump(mode="json"),
                settings=settings,
                started_t_ns=started_t_ns,
                started_utc=started_utc,
                job=request.job,
                wheel=request.wheel,
                stage=request.stage,
            )
        finally:  # also when who asked has gone meanwhile
            if ref is None and second_run is not None:
                self.let_run_end(second_run)
        run = Run(
            ref,
            request,
            indicator,
            limit,
            setup,
            started_t_ns=started_t_ns,
            clock=self.clock,
            state_of=lambda: self._supervisors[indicator.name].state,
            publish=self._fanout.publish,
            verdict_due=lambda: any(each.judged_now for each in tuple(self._runs.values())),
            warnings=(*nut, *set_up_warnings(indicator, limit, started_utc.date())),
        )
        self._seconds.keep(ref.id, second_run)
        self._runs[ref.id] = self._run_of[indicator.name] = run
        self.spawn(asyncio.to_thread(load, request.kind), "loading the analysis")
        task = asyncio.create_task(self._follow(run), name=f"run {ref.id}")
        self._run_tasks[ref.id] = task
        task.add_done_callback(self._task_ended)
        return run.progress

    def _indicator(self, name: str | None) -> Indicator:
        if name is not None:
            return indicator_named(name, self._indicators)
        if len(self._indicators) == 1:
            return self._indicators[0]
        live = [each.indicator for each in self.indicators() if each.state == "live"]
        if len(live) == 1:
            return indicator_named(live[0], self._indicators)
        if not self._indicators:
            raise none_described()
        known = ", ".join(indicator.name for indicator in self._indicators)
        raise InputError("which indicator is not said", where="--indicator", expected=f"one of: {known}")

    def _going_on(self, run_id: str) -> Run:
        run = self._runs.get(run_id)
        if run is None:
            raise InputError(f"run {run_id!r} does not go on", expected="a run that has not ended")
        return run

    def mark(self, run_id: str) -> None:
        """The index mark passes now.

        Raises:
            InputError: the run has ended, or there is none.
        """
        t_ns = self.clock.monotonic_ns()
        run = self._going_on(run_id)
        if self._run_of.get(run.indicator.name) is not run:
            raise InputError(f"run {run_id!r} takes no more marks", expected="a run that has not ended")
        run.mark(t_ns)
        assert self._recorder is not None
        self._recorder.then(lambda store: store.add_mark(run.ref.key, t_ns))

    async def stop_run(self, run_id: str) -> None:
        """End a run with what it has, and wait until its result is stored.

        Raises:
            InputError: the run has ended, or there is none.
        """
        run = self._going_on(run_id)
        run.stop()
        await asyncio.wait([self._run_tasks[run_id]])

    def let_run_end(self, run_id: str) -> None:
        """End a run with what it has, without waiting for it; nothing happens when it has ended."""
        if (run := self._runs.get(run_id)) is not None:
            run.stop()

    # The runs ------------------------------------------------------------------------------------

    async def _follow(self, run: Run) -> None:
        """Let a run go its course; whatever happens, end it in the record."""
        state: EndState = "interrupted"
        try:
            await run.go_on()
            state = "done"
            await self._stop_recording(run, state)
            await self._seconds.end(run.ref.id)
            await self._conclude(run)
        except HubproofError as error:
            self._fanout.publish(Trouble(where=f"run {run.ref.id}", text=error.line()))
        finally:
            if self._run_of.get(run.indicator.name) is run:
                self._stop_recording(run, state)
            self._seconds.let_end(run.ref.id)
            self._runs.pop(run.ref.id, None)
            self._run_tasks.pop(run.ref.id, None)
            run.end(state)

    def _stop_recording(self, run: Run, state: EndState) -> asyncio.Future[None]:
        """No reading belongs to the run from now on; done when all of them are stored."""
        assert self._recorder is not None
        t_ns = self.clock.monotonic_ns()
        del self._run_of[run.indicator.name]
        return self._recorder.end_run(run.ref.key, state, t_ns)

    async def _conclude(self, run: Run) -> None:
        """The final result, from the readings as they are in the record, kept beside them."""
        run.judged_now = True
        given = (self.store, run.ref, run.request, run.limit, run.setup)
        result = await asyncio.to_thread(conclude_in, *given)  # one errand: each way back waits for the loop
        if result is not None:
            if isinstance(result, RestResult):
                self._holder_moved[run.indicator.name] = result.holder_moved
            self._fanout.publish(RunResult(run=run.ref.id, result=result))

    # What the supervisors tell (capture.supervisor.Listener) --------------------------------------

    def on_readings(self, indicator: str, readings: list[Reading]) -> None:
        """Record and show."""
        self._counts[indicator].readings += len(readings)
        run = self._run_of.get(indicator)
        if run is not None and readings[0].t_ns < run.buffer.started_t_ns:
            run = None  # it waited in the link while the run was begun, and belongs to no run
        if run is not None and self._recorder is not None:
            self._recorder.append(run.ref.key, run.take(readings))
            switched = run.unit_switched()
            if switched:
                self.on_event(indicator, readings[0].t_ns, UNIT_SWITCHED, switched)
            if (changed := run.zero_changed()) is not None:
                self.on_event(indicator, readings[0].t_ns, *changed)
        self._last_nm[indicator] = readings[-1].length_nm
        self.checks.take(indicator, readings)
        self._live.add(indicator, run.ref.id if run else None, readings)

    def on_faults(self, indicator: str, faults: list[Fault]) -> None:
        """Keep the bytes beside the readings."""
        self.checks.take_faults(indicator, faults)
        run = self._run_of.get(indicator)
        if run is None or self._recorder is None or faults[0].t_ns < run.buffer.started_t_ns:
            return
        self._recorder.append(run.ref.key, run.take_faults(faults))

    def on_state(self, state: IndicatorState) -> None:
        """Tell everyone."""
        self._fanout.publish(state)

    def on_event(self, indicator: str, t_ns: int, code: str, text: str) -> None:
        """Keep it with the run that goes on."""
        if code == "gap":
            self._counts[indicator].gaps += 1
        run = self._run_of.get(indicator)
        if run is None or self._recorder is None:
            return
        if code == "gap":
            run.gap()
        key = run.ref.key
        self._recorder.then(lambda store: store.add_event(key, t_ns, code, text))


async def _cancel(tasks: Iterable[asyncio.Task[None]]) -> None:
    """Cancel tasks and wait until each has cleaned up."""
    pending = tuple(tasks)
    for task in pending:
        task.cancel()
    if pending:
        await asyncio.wait(pending)


def own_version() -> str:
    """The installed version, or "source" when run from a checkout that is not installed."""
    try:
        return version("hubproof")
    except PackageNotFoundError:
        return "source"
