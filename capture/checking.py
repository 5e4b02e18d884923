"""Checks of indicators on a bench: each follows its course beside a run that records every reading."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from analysis.indicator_check import check_indicator
from capture.check_course import CheckCourse, CheckStep, block_error_um
from capture.check_messages import CheckRequest, IndicatorCard, LastCheck, LastReading
from capture.messages import CheckProgress, IndicatorState, RunRequest
from capture.reading import Fault, Reading
from config.clock import NS_PER_S
from config.errors import HubproofError, InputError
from config.indicators import Indicator, SerialLink, indicator_named

if TYPE_CHECKING:
    from analysis.record.checks import KeptCheck
    from capture.bench import Bench

TICK_S = 0.1
GIVEN_UP = CheckStep("interrupted", "The check was given up; its readings are kept.")


class _Checking:
    """One check that goes on."""

    def __init__(self, course: CheckCourse, request: CheckRequest, progress: CheckProgress) -> None:
        self.course = course
        self.request = request
        self.progress = progress
        self.task: asyncio.Task[None] | None = None
        self.given_up = False


class Checks:
    """The checks of a bench, one at a time for each indicator, and the newest reading of each.

    Args:
        bench: owns the indicators, the record and the fan-out.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._going_on: dict[str, _Checking] = {}
        self._last: dict[str, Reading] = {}

    # What arrives --------------------------------------------------------------------------------

    def take(self, indicator: str, readings: list[Reading]) -> None:
        """Readings of an indicator."""
        self._last[indicator] = readings[-1]
        checking = self._going_on.get(indicator)
        if checking is not None:
            checking.course.take(readings)

    def take_faults(self, indicator: str, faults: list[Fault]) -> None:
        """What was no reading."""
        checking = self._going_on.get(indicator)
        if checking is not None:
            checking.course.take_faults(faults)

    # What is asked -------------------------------------------------------------------------------

    async def start(self, indicator: Indicator, request: CheckRequest) -> CheckProgress:
        """Begin a check.

        Raises:
            InputError: the indicator is in a run or a check already; a block that is no length.
            StoreError: the record refuses.
        """
        course = CheckCourse(indicator, request, self._bench.clock.monotonic_ns())
        block_error_um(request)  # refused now, not after the work
        run = await self._bench.start_run(RunRequest(kind="trace", indicator=indicator.name))
        progress = CheckProgress(
            indicator=indicator.name,
            state="resting",
            say="Hands off.",
            run=run.run,
            asked_blocks=len(course.targets),
        )
        checking = self._going_on[indicator.name] = _Checking(course, request, progress)
        checking.task = self._bench.spawn(self._follow(indicator, checking), f"check {indicator.name}")
        return progress

    def progress(self, indicator: str) -> CheckProgress | None:
        """The check that goes on with an indicator."""
        checking = self._going_on.get(indicator)
        return None if checking is None else checking.progress

    async def stop(self, indicator: str) -> None:
        """Give up a check; its readings stay in the record.

        Raises:
            InputError: none goes on.
        """
        checking = self._going_on.get(indicator)
        if checking is None or checking.task is None:
            raise InputError(f"no check of {indicator!r} goes on")
        checking.given_up = True
        await asyncio.wait([checking.task])

    async def _follow(self, indicator: Indicator, checking: _Checking) -> None:
        ended = GIVEN_UP
        try:
            ended = await self._to_its_end(indicator, checking)
        except HubproofError as error:
            ended = CheckStep("interrupted", error.line())
        finally:
            del self._going_on[indicator.name]
            result = checking.progress.result
            self._tell(checking, ended)
            if result is None:
                self._bench.let_run_end(checking.progress.run)

    async def _to_its_end(self, indicator: Indicator, checking: _Checking) -> CheckStep:
        course, clock = checking.course, self._bench.clock
        while True:
            state = self._state(indicator.name)
            trouble = f"{state.indicator}: {state.why}" if state.state in ("stale", "lost") else None
            step = course.step(clock.monotonic_ns(), trouble)
            if checking.given_up:
                return GIVEN_UP
            if step.state == "interrupted":
                return step
            if step.state == "done":
                break
            self._tell(checking, step)
            await clock.sleep(TICK_S)
        run = checking.progress.run
        await self._bench.stop_run(run)
        found = await asyncio.to_thread(
            check_indicator,
            indicator,
            course.seen(),
            course.levels,
            block_error_um=block_error_um(checking.request),
        )
        await asyncio.to_thread(self._bench.store.save_check, found, run)
        checking.progress = checking.progress.model_copy(update={"result": found})
        return step

    def _state(self, indicator: str) -> IndicatorState:
        return next(state for state in self._bench.indicators() if state.indicator == indicator)

    def _tell(self, checking: _Checking, step: CheckStep) -> None:
        changed = checking.progress.model_copy(
            update={"state": step.state, "say": step.say, "set_blocks": len(checking.course.levels)}
        )
        if changed != checking.progress:
            checking.progress = changed
            self._bench.fanout.publish(changed)

    # Cards ---------------------------------------------------------------------------------------

    def described(self, name: str) -> Indicator:
        """The description of an indicator.

        Raises:
            InputError: none is named so.
        """
        return indicator_named(name, self._bench.described())

    async def cards(self, name: str | None = None) -> tuple[IndicatorCard, ...]:
        """Each indicator, or the one of that name, as described, how it stands, and its last check.

        Raises:
            InputError: none is named so.
        """
        indicators = self._bench.described() if name is None else (self.described(name),)
        store = self._bench.store
        kept = [
            await asyncio.to_thread(store.last_check, each.name, each.serial_number) for each in indicators
        ]
        return tuple(self._card(each, last) for each, last in zip(indicators, kept, strict=True))

    def _card(self, indicator: Indicator, kept: KeptCheck | None) -> IndicatorCard:
        state = self._state(indicator.name)
        today = self._bench.clock.utc().date()
        due = indicator.calibration_due
        return IndicatorCard(
            **state.model_dump(exclude={"type", "resolution_nm"}),
            link=_link(indicator),
            serial_number=indicator.serial_number,
            resolution_nm=indicator.resolution_nm,
            permissible_error_nm=indicator.permissible_error_nm,
            range_nm=indicator.range_nm,
            calibrated=indicator.calibrated,
            calibration_due=due,
            calibration_overdue=due is not None and due < today,
            last_reading=self._last_reading(indicator.name),
            last_check=None if kept is None else _last_check(kept),
        )

    def _last_reading(self, indicator: str) -> LastReading | None:
        last = self._last.get(indicator)
        if last is None:
            return None
        age_ns = self._bench.clock.monotonic_ns() - last.t_ns
        return LastReading(
            length_nm=last.length_nm, unit=last.unit, flag=last.flag, age_s=max(0.0, age_ns / NS_PER_S)
        )


def _link(indicator: Indicator) -> str:
    link = indicator.link
    if isinstance(link, SerialLink):
        return link.port or f"USB device {link.usb}"
    return f"Bluetooth {link.address or link.name_pattern or link.service}"


def _last_check(kept: KeptCheck) -> LastCheck:
    return LastCheck(id=kept.id, made_utc=kept.made_utc, run=kept.run, check=kept.check)
