"""Keeps one indicator connected, decodes what it sends, and says how it stands."""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Callable
from typing import Protocol

from capture.decoding import decoder_for
from capture.links import Link
from capture.messages import IndicatorState, LinkState
from capture.reading import Fault, Reading
from config.clock import NS_PER_S, Clock
from config.errors import LinkError
from config.indicators import Indicator, PolledFormat, SerialLink

log = logging.getLogger(__name__)

LOOK_S = 0.15
STALE_S = 0.75  # with one look more, silence is shown within 1 s
STALE_PERIODS = 3.0  # but an indicator described as slow is given this many of its periods
FIRST_WAIT_S, LONGEST_WAIT_S = 0.2, 1.5  # an indicator that is back is found within 2 s
FAULTS_KEPT = 20
"""Of what cannot be read so many are kept in a second: at a wrong baud rate thousands would fill the disk."""
HELD_UP_NS = NS_PER_S // 2
"""Silence is told within a look; a hole longer by this was seen by nobody: the station itself stood still."""
BUNCH_NS = 20_000_000
"""What waited in the port meanwhile is read within this, all at once."""
BUNCHED = "read late, with others at once: its time is not known"
LOW_BATTERY = 10  # percent
RADIO_LATE_NS = (
    NS_PER_S  # retransmissions may hold the rest of a torn line back: no silence before this counts
)
NOT_COUNTED = {"torn"}  # the usual beginning of a stream is no fault of the indicator


class Listener(Protocol):
    """Who hears of an indicator. Called in the event loop; must return at once."""

    def on_readings(self, indicator: str, readings: list[Reading]) -> None:
        """Readings in order of arrival."""
        ...

    def on_faults(self, indicator: str, faults: list[Fault]) -> None:
        """Bytes that were no readings."""
        ...

    def on_state(self, state: IndicatorState) -> None:
        """The state changed."""
        ...

    def on_event(self, indicator: str, t_ns: int, code: str, text: str) -> None:
        """For the record of a run: ``lost``, ``silent``, ``held_up``, ``gap``, ``battery_low``, and more."""
        ...


class Supervisor:
    """One supervised indicator.

    Args:
        indicator: its description.
        clock: the station's clock.
        listener: who hears.
        open_link: makes a closed link (a test or a simulation brings its own).
        jitter: 0 to 1, drawn for each wait so that many stations do not knock in step.
    """

    def __init__(
        self,
        indicator: Indicator,
        clock: Clock,
        listener: Listener,
        open_link: Callable[[Indicator, Clock], Link],
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self.indicator = indicator
        self._clock = clock
        self._listener = listener
        self._open_link = open_link
        self._jitter = jitter
        period_s = 1 / indicator.rate_hz if indicator.rate_hz else 0.0
        self._stale_ns = int(max(STALE_S, STALE_PERIODS * period_s) * NS_PER_S)
        self.state = IndicatorState(
            indicator=indicator.name,
            state="connecting",
            simulated=indicator.simulated,
            resolution_nm=indicator.resolution_nm,
        )
        self._readings = self._unreadable = self._opened = 0
        self._heard_ns = 0  # last reading, or the opening
        self._gap_from_ns: int | None = None
        self._gap_why = ""
        self._bunched_until_ns = 0
        self._last_fault: Fault | None = None
        self._kept, self._kept_from_ns, self._flood_told = 0, 0, False
        self._answered = asyncio.Event()
        self._identity: asyncio.Future[str] | None = None

    async def run(self) -> None:
        """Connect, read, and connect again, until cancelled."""
        failures = 0
        while True:
            before = self._readings
            link = self._open_link(self.indicator, self._clock)
            try:
                await self._session(link)
            except LinkError as error:
                self._lose(error)  # told before the goodbye, which may take its time
            finally:
                await link.close()
            failures = 1 if self._readings > before else failures + 1
            wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** min(failures - 1, 8))
            await self._clock.sleep(wait_s * (0.5 + 0.5 * self._jitter()))

    async def _session(self, link: Link) -> None:
        """One connection, from opening to loss."""
        await link.open()
        self._opened += 1
        self._flood_told = False
        self._heard_ns = self._clock.monotonic_ns()
        self._set("connecting", None, port=link.where, reconnects=self._opened - 1)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._watch(link))
                if isinstance(self.indicator.format, PolledFormat):
                    group.create_task(self._poll(link, self.indicator.format))
                await self._read(link)
        except* LinkError as several:
            lost = several.exceptions[0]  # raised below: here it would be wrapped once more
        raise lost

    async def _read(self, link: Link) -> None:
        decoder = decoder_for(self.indicator.format, presentation=link.presentation)
        wired = isinstance(self.indicator.link, SerialLink)
        decoder.reset(self._clock.monotonic_ns() + (0 if wired else RADIO_LATE_NS))
        async for chunk in link.chunks():
            decoded = decoder.feed(chunk.data, chunk.t_ns)
            if decoded.faults:
                self._take_faults(decoded.faults)
            if decoded.readings:
                self._take(decoded.readings)
        raise LinkError("the link ended", where=link.where)

    def _take(self, readings: list[Reading]) -> None:
        self._look_for_hold_up(readings[0].t_ns)
        if self._gap_from_ns is not None:
            readings[0] = self._after_gap(readings[0], self._gap_from_ns)
            self._gap_from_ns = None
        if readings[0].t_ns < self._bunched_until_ns:
            readings = [
                each if each.flag or each.t_ns >= self._bunched_until_ns else each._replace(flag=BUNCHED)
                for each in readings
            ]
        self._readings += len(readings)
        self._heard_ns = readings[-1].t_ns
        self._last_fault = None
        self._answered.set()
        if self.state.state != "live":
            self._set("live", None)
        self._listener.on_readings(self.indicator.name, readings)

    def _look_for_hold_up(self, t_ns: int) -> None:
        """A hole that the watch did not see: this process stood still, and what waited has false times."""
        hole_ns = t_ns - self._heard_ns
        if self._gap_from_ns is None and self._readings and hole_ns >= self._stale_ns + HELD_UP_NS:
            self._begin_gap("held_up", f"the station itself stood still for {hole_ns / NS_PER_S:.1f} s")
            self._bunched_until_ns = t_ns + BUNCH_NS

    def _after_gap(self, first: Reading, from_ns: int) -> Reading:
        """The first reading after a gap, flagged: it holds the gap's place in the trace.

        So the result says that readings are missing there, and the time of the gap is not taken for a
        jump of the clock when the hub stands near where it stood before.
        """
        missing_s = (first.t_ns - from_ns) / NS_PER_S
        text = f"no reading for {missing_s:.2f} s: {self._gap_why}"
        self._listener.on_event(self.indicator.name, first.t_ns, "gap", text)
        flag = f"first after {missing_s:.1f} s without readings"
        return first if first.flag else first._replace(flag=flag)

    def _take_faults(self, faults: list[Fault]) -> None:
        if self._identity is not None and not self._identity.done():
            self._identity.set_result(faults[-1].raw)
            return
        counted = [fault for fault in faults if fault.code not in NOT_COUNTED]
        if counted:
            self._unreadable += len(counted)
            self._last_fault = counted[-1]
            self._answered.set()
            few = self._a_few(counted)
            if few:
                self._listener.on_faults(self.indicator.name, few)

    def _a_few(self, faults: list[Fault]) -> list[Fault]:
        """As many as are kept in a second; that there are more is told once for each connection."""
        t_ns = faults[0].t_ns
        if t_ns - self._kept_from_ns >= NS_PER_S:
            self._kept, self._kept_from_ns = 0, t_ns
        few = faults[: FAULTS_KEPT - self._kept]
        self._kept += len(few)
        if len(few) < len(faults) and not self._flood_told:
            self._flood_told = True
            text = f"more than {FAULTS_KEPT} messages a second cannot be read; the others are only counted"
            self._listener.on_event(self.indicator.name, t_ns, "unreadable_many", text)
        return few

    # Watching ------------------------------------------------------------------------------------

    async def _watch(self, link: Link) -> None:
        while True:
            due_ns = self._clock.monotonic_ns() + round(LOOK_S * NS_PER_S)
            await self._clock.sleep(LOOK_S)
            self._look_at_battery(link.battery)
            if self._clock.monotonic_ns() - due_ns >= HELD_UP_NS:
                continue  # this process stood still: what arrived meanwhile is taken first
            silent_ns = self._clock.monotonic_ns() - self._heard_ns
            if silent_ns >= self._stale_ns and self.state.state != "stale":
                why = self._silence()
                self._begin_gap("silent", why)
                self._set("stale", why)
            elif self.state.state == "stale" and self.state.why != (why := self._silence()):
                self._set("stale", why)

    def _look_at_battery(self, percent: int | None) -> None:
        before = self.state.battery
        if percent is None or percent == before:
            return
        self._set(self.state.state, self.state.why, battery=percent)
        if percent <= LOW_BATTERY and (before is None or before > LOW_BATTERY):
            log.warning("%s: battery at %d %%", self.indicator.name, percent)
            t_ns = self._clock.monotonic_ns()
            self._listener.on_event(self.indicator.name, t_ns, "battery_low", f"battery at {percent} %")

    def _silence(self) -> str:
        if self._last_fault is not None:
            link = self.indicator.link
            check = "the baud rate, parity and " if isinstance(link, SerialLink) else ""
            return (
                f"what arrives cannot be read ({self._last_fault.text}: {self._last_fault.raw!r}); "
                f"check {check}the wire format in the indicators file"
            )
        return "nothing arrives; check that it is switched on and sends"

    def _lose(self, error: LinkError) -> None:
        if self.state.state != "lost":
            log.warning("%s: %s", self.indicator.name, error.line())
        self._begin_gap("lost", error.line())
        self._set("lost", error.line())

    def _begin_gap(self, code: str, why: str) -> None:
        if self._readings and self._gap_from_ns is None:
            self._gap_from_ns = self._heard_ns
            self._listener.on_event(self.indicator.name, self._clock.monotonic_ns(), code, why)
        self._gap_why = why

    def _set(self, state: LinkState, why: str | None, **more: object) -> None:
        update = {
            "state": state,
            "why": why,
            "readings": self._readings,
            "unreadable": self._unreadable,
            **more,
        }
        changed = self.state.model_copy(update=update)
        if changed != self.state:
            self.state = changed
            self._listener.on_state(changed)

    # Asking --------------------------------------------------------------------------------------

    async def _poll(self, link: Link, form: PolledFormat) -> None:
        """Ask for one reading after another; the next is asked for when the last was answered."""
        if form.identify:
            await self._identify(link, form)
        query = (form.query + form.terminator).encode("latin-1")
        while True:
            asked_ns = self._clock.monotonic_ns()
            self._answered.clear()
            await link.write(query)
            try:
                async with asyncio.timeout(form.answer_within_s):
                    await self._answered.wait()
            except TimeoutError:
                continue  # the silence is told by the watch
            used_s = (self._clock.monotonic_ns() - asked_ns) / NS_PER_S
            await self._clock.sleep(max(0.0, form.pause_s - used_s))

    async def _identify(self, link: Link, form: PolledFormat) -> None:
        """Ask once who answers (IEEE 488.2 ``*IDN?``: four fields with commas between); optional."""
        assert form.identify is not None
        self._identity = asyncio.get_running_loop().create_future()
        await link.write((form.identify + form.terminator).encode("latin-1"))
        try:
            async with asyncio.timeout(form.answer_within_s):
                identity = await self._identity
        except TimeoutError:
            return
        finally:
            self._identity = None
        self._set(self.state.state, self.state.why, identity=identity)
