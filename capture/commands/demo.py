"""``hubproof demo``: a simulated hub, measured from end to end by the real daemon over a real port."""

from __future__ import annotations

import asyncio
import contextlib
import random
import subprocess
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console

    from capture.client import Station
    from capture.measure_run import Outcome
    from capture.messages import IndicatorState, Readings, RunProgress, RunRequest
    from capture.terminal import RunView
    from config.indicators import Indicator
    from simulators.bench import Deed, SimulatedBench
    from simulators.hand import Action
    from simulators.truth import Truth

READY_WITHIN_S = 20.0
LOOK_S = 0.1
BEFORE_S = 0.8
"""The hand begins this long after it was told to."""
PATIENCE_S = 4.0
"""A run that has not ended by itself this long after the hand came to rest is stopped."""
TAP_JITTER_S = 0.06
TURN_S = 4.2
TURNS = 3.4
STROKES = 3


@click.command(short_help="Measure a simulated hub from end to end.")
@click.option(
    "--scenario",
    default="sound-hub",
    show_default=True,
    metavar="NAME",
    help="sound-hub, bent-flange, worn-bearing, warped-flange or loose-holder.",
)
@click.option(
    "--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Which hub of that kind."
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("hubproof-demo"),
    show_default=True,
    metavar="DIR",
    help="Folder for the record, the results and the traces.",
)
@click.option(
    "--marks/--no-marks",
    default=True,
    show_default=True,
    help="The simulated technician taps the index mark as it passes, or leaves the turns to be found alone.",
)
@click.option(
    "--bluetooth",
    is_flag=True,
    help="The indicator speaks over simulated Bluetooth, in this process; needs the extra 'simulator'.",
)
def command(scenario: str, seed: int, out: Path, marks: bool, bluetooth: bool) -> None:
    """Measure a simulated hub from end to end: rest check, end play, run-out, verdict.

    The hub, the hand and the indicator are invented. Everything else is what works at a real bench: the
    indicator speaks over a serial device, the daemon opens it, records it and judges it. Takes about a
    minute; what was measured is kept in a folder.
    """
    from rich.console import Console

    asyncio.run(_demo(scenario, seed, out, marks, bluetooth, Console(highlight=False)))


async def _demo(scenario: str, seed: int, out: Path, marks: bool, bluetooth: bool, console: Console) -> None:
    from config.clock import SystemClock
    from config.indicators import indicator_named, load_indicators
    from simulators.bench import SimulatedBench
    from simulators.hand import Rest, Strokes, Turn
    from simulators.scenarios import build, scenario_named

    recipe = scenario_named(scenario)
    indicator = indicator_named("bench-bluetooth" if bluetooth else "bench", load_indicators())
    reached = _over_bluetooth if bluetooth else _over_serial
    folder = out / recipe.name
    folder.mkdir(parents=True, exist_ok=True)
    bench = SimulatedBench(build(recipe, seed, indicator), seed, SystemClock())
    console.print(f"[bold]Simulated workshop: {recipe.title}[/bold] (invented; seed {seed})")
    async with reached(folder, indicator, bench) as (station, where):
        console.print(f"Indicator {indicator.name!r} {where}\n")
        taps = random.Random(seed) if marks else None  # noqa: S311 - a hand, not a secret
        work = _Work(station, bench, indicator, console, taps)
        rest = await work.measure("rest", Rest(1.0))
        play = await work.measure("endplay", Strokes(STROKES))
        turns = await work.measure("runout", Turn(TURNS, "gentle", turn_s=TURN_S))
    done = (rest, play, turns)
    _keep(folder, [each.outcome for each in done])
    _show_truth(console, play, turns)
    console.print(f"\nKept in {folder}: hubproof.sqlite, results/*.json, traces/*.csv", soft_wrap=True)
    console.print(f"  look again:  hubproof runs list --data {folder}", soft_wrap=True)
    traces = folder / "traces"
    console.print(f"  judge again: hubproof analyse --kind runout {traces / 'runout.csv'}", soft_wrap=True)


@contextlib.asynccontextmanager
async def _over_serial(
    folder: Path, indicator: Indicator, bench: SimulatedBench
) -> AsyncIterator[tuple[Station, str]]:
    """The daemon, reading the bench over a virtual serial device; and where the indicator is."""
    from capture.commands.simulate import described_at
    from simulators.serial_port import VirtualSerialPort

    assert bench.clock is not None
    with VirtualSerialPort(indicator, bench, bench.clock) as port:
        described = folder / "indicators.toml"
        described.write_text(described_at(indicator, port.url), encoding="utf-8")
        async with daemon_process(folder, described) as station:
            yield station, f"on {port.url}, read by {station.place}"


@contextlib.asynccontextmanager
async def _over_bluetooth(
    folder: Path, indicator: Indicator, bench: SimulatedBench
) -> AsyncIterator[tuple[Station, str]]:
    """A station in this process, reading the bench over a simulated air: both sides of it must be here.

    Raises:
        InputError: the Bluetooth stack of the simulation is not installed.
    """
    from capture.bench import Bench
    from capture.client import BenchStation
    from capture.folder import Owned
    from capture.links import link_for
    from config.errors import InputError
    from simulators.gatt import table_for

    try:
        from simulators.bluetooth import Air
    except ModuleNotFoundError as error:
        raise InputError(
            f"simulated Bluetooth is not installed ({error.name} is missing)",
            where="--bluetooth",
            do="install it with: pip install 'hubproof[simulator]'",
        ) from error
    assert bench.clock is not None
    async with Air(bench.clock) as air:
        peripheral = await air.put(table_for([indicator]), bench)
        with Owned(folder):
            async with Bench(folder, [indicator], (), open_link=partial(link_for, air=air)) as station:
                where = f"at Bluetooth address {peripheral.table.address}, read in this process"
                yield BenchStation(station), where


@contextlib.asynccontextmanager
async def daemon_process(
    folder: Path, described: Path, *, within_s: float = READY_WITHIN_S
) -> AsyncIterator[Station]:
    """The daemon as a process of its own, ready `within_s`, and the way to it; ended cleanly.

    Raises:
        LinkError: it did not get ready; the message carries what it said.
    """
    from capture.client import daemon_of, open_station
    from config.errors import LinkError

    words = ["serve", "--data", str(folder), "--indicators", str(described), "--port", "0"]
    said = folder / "daemon.log"
    with said.open("w", encoding="utf-8") as log:
        process = subprocess.Popen(  # noqa: S603 - our own program, no shell
            [sys.executable, "-m", "capture", *words], stdout=log, stderr=log, stdin=subprocess.DEVNULL
        )
    try:
        waited_s = 0.0
        while await daemon_of(folder) is None:
            if process.poll() is not None or waited_s > within_s:
                lines = said.read_text(encoding="utf-8").strip().splitlines() or ["it said nothing"]
                raise LinkError(f"the daemon did not get ready: {lines[-1]}", where=str(said))
            await asyncio.sleep(LOOK_S)
            waited_s += LOOK_S
        async with open_station(folder, lambda: ((), ())) as station:
            yield station
    finally:
        process.terminate()
        await asyncio.to_thread(process.wait)


@dataclass(frozen=True, slots=True)
class _Measured:
    """A run that ended, and what was true while the hand worked."""

    outcome: Outcome
    truth: Truth


class _Work:
    """Runs one after another, with the simulated hand told what to do in each."""

    def __init__(
        self,
        station: Station,
        bench: SimulatedBench,
        indicator: Indicator,
        console: Console,
        taps: random.Random | None,
    ) -> None:
        self._station = station
        self._bench = bench
        self._indicator = indicator
        self._console = console
        self._taps = taps

    async def measure(self, kind: str, action: Action) -> _Measured:
        """One run of `kind` while the hand does `action`."""
        from capture.measure_run import carry_through
        from capture.messages import RunRequest
        from capture.terminal import RunView, show_result

        request: RunRequest = RunRequest.model_validate(
            {
                "kind": kind,
                "indicator": self._indicator.name,
                "job": "demo",
                "wheel": "front left",
                "stage": "as found",
                "turns": int(TURNS),
                "strokes": STROKES,
                "studs": self._bench.workshop.hub.studs,
            }
        )
        with RunView(self._console, request.kind) as view:
            hand = _Hand(self._station, self._bench, action, view, self._taps)
            try:
                outcome = await carry_through(self._station, request, hand)  # type: ignore[arg-type]
            finally:
                await hand.rest()
        if outcome.result is not None:
            show_result(self._console, outcome.result, outcome.run)
        self._console.print()
        assert hand.deed is not None
        return _Measured(outcome, hand.deed.truth)


class _Hand:
    """Looks at what the technician would see, and begins to work when the run has begun."""

    def __init__(
        self,
        station: Station,
        bench: SimulatedBench,
        action: Action,
        view: RunView,
        taps: random.Random | None,
    ) -> None:
        self._station = station
        self._bench = bench
        self._action = action
        self._view = view
        self._taps = taps
        self._working: asyncio.Task[None] | None = None
        self.deed: Deed | None = None

    def indicator(self, state: IndicatorState) -> None:
        """See `RunView`."""
        self._view.indicator(state)

    def readings(self, message: Readings) -> None:
        """See `RunView`."""
        self._view.readings(message)

    def trouble(self, where: str, text: str) -> None:
        """See `RunView`."""
        self._view.trouble(where, text)

    def progress(self, progress: RunProgress) -> None:
        """See `RunView`; the first one sets the hand to work."""
        self._view.progress(progress)
        if self._working is None:
            self._working = asyncio.create_task(self._work(progress.run), name="simulated hand")

    async def _work(self, run: str) -> None:
        from simulators.hand import Rest

        self._bench.do(Rest(BEFORE_S))
        self.deed = self._bench.do(self._action)
        for tap_s in _taps_s(self.deed, self._taps):
            await asyncio.sleep(max(0.0, tap_s - self._bench.now_s))
            await self._station.mark(run)
        await asyncio.sleep(max(0.0, self.deed.ends_s - self._bench.now_s) + PATIENCE_S)
        await self._station.stop_run(run)

    async def rest(self) -> None:
        """The run has ended: the patience too."""
        if self._working is not None:
            self._working.cancel()
            await asyncio.wait([self._working])


def _taps_s(deed: Deed, taps: random.Random | None) -> list[float]:
    """When the technician's foot taps, seconds of the bench: near each passing of the index mark."""
    if taps is None:
        return []
    passed_s: list[float] = []
    whole = deed.motion.angle_deg[0] // 360.0
    for time_s, angle_deg in zip(deed.motion.time_s, deed.motion.angle_deg, strict=True):
        if angle_deg // 360.0 > whole:
            whole = angle_deg // 360.0
            passed_s.append(deed.starts_s + float(time_s) + taps.gauss(0.0, TAP_JITTER_S))
    return passed_s


def _keep(folder: Path, outcomes: list[Outcome]) -> None:
    """Results as JSON and traces as CSV, beside the record."""
    from analysis.record import Store
    from analysis.trace_file import write_trace_file
    from capture.commands.options import existing_database
    from capture.exporting import describe

    for name in ("results", "traces"):
        (folder / name).mkdir(exist_ok=True)
    with Store.open(existing_database(folder)) as store:
        for outcome in outcomes:
            record = store.run(outcome.run)
            kind = record.summary.kind
            write_trace_file(store.trace(outcome.run), folder / "traces" / f"{kind}.csv", describe(record))
            if outcome.result is not None:
                told = outcome.result.model_dump_json(indent=1)
                (folder / "results" / f"{kind}.json").write_text(told + "\n", encoding="utf-8")


def _show_truth(console: Console, play: _Measured, turns: _Measured) -> None:
    """What only a simulation knows, beside what was measured."""
    from analysis.results import EndplayResult, RunoutResult

    console.print("[bold]Truth of the simulation beside the result[/bold]")
    if play.truth.strokes is not None and isinstance(play.outcome.result, EndplayResult):
        _truth_row(console, "end play", play.truth.strokes.play_um / 1000.0, play.outcome.result.play_mm)
    if turns.truth.turn is not None and isinstance(turns.outcome.result, RunoutResult):
        result, truth = turns.outcome.result, turns.truth.turn
        largest_mm = max(result.fim_mm.per_turn) if result.fim_mm.per_turn else None
        _truth_row(console, "run-out", max(truth.fim_per_turn_um()) / 1000.0, largest_mm)
        _truth_row(console, "repeatable", truth.repeatable_um / 1000.0, result.fim_mm.repeatable)
        found = "not told" if result.turns.total is None else f"{result.turns.total:.2f}"
        console.print(f"  {'turns':<11} true {truth.total_turns:9.2f}      found {found:>9}")
    moved_mm = sum(abs(each.truth.holder_um) for each in (play, turns)) / 1000.0
    if moved_mm > 0.0:
        console.print(f"  the holder moved {moved_mm:.3f} mm meanwhile: no figure above is the hub's alone")


def _truth_row(console: Console, name: str, true_mm: float, found_mm: float | None) -> None:
    found = "none" if found_mm is None else f"{found_mm:9.4f} mm  off {(found_mm - true_mm) * 1000:+.1f} µm"
    console.print(f"  {name:<11} true {true_mm:9.4f} mm   found {found}")
