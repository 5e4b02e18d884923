"""Keys pressed on the indicator in mid-run, over a wire: seen, named, and kept out of the result."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import capture.measuring
import capture.run
from analysis.record import RunRecord
from analysis.results import EndplayResult
from analysis.trace import Trace
from capture.bench import Bench
from capture.messages import RunRequest
from capture.warnings import OFF_STEP
from capture.zero_watch import ZeroWatch
from config.indicators import Indicator, PolledFormat, load_indicators
from simulators.indicator import Readings
from simulators.serial_port import VirtualSerialPort
from tests.capture.levels import Levels
from tests.capture.lockstep import LockstepClock

SHIPPED = {each.name: each for each in load_indicators()}
Um = NDArray[np.float64]


class Turning(Levels):
    """A flange that runs out by 60 um about `offset_um`, a turn in 3 s; `key` is what a key makes of it."""

    offset_um = 150.0
    key: Callable[[Um], Um] = staticmethod(lambda um: um)

    def due(self) -> Readings:
        plain = super().due()
        um = self.offset_um + 30.0 * np.sin(2 * np.pi * plain.time_s / 3.0) + (plain.length_nm > 0)
        step = 1_270 if self.inch else 1_000
        length = np.rint(self.key(um) * 1000 / step).astype(np.int64) * step
        return Readings(plain.time_s, length, plain.inch, plain.status)


class Run:
    """What a run came to, and where in it the key was pressed."""

    record: RunRecord
    trace: Trace
    warnings: tuple[str, ...]
    pressed_s: float

    @property
    def codes(self) -> list[str]:
        return [event.code for event in self.record.events]

    def apart(self) -> tuple[int, int]:
        """Readings kept apart before the key was pressed, and readings not kept apart after it."""
        flagged = np.zeros(len(self.trace), dtype=bool) if self.trace.flag is None else self.trace.flag != ""
        before, after = self.trace.time_s < self.pressed_s - 0.1, self.trace.time_s > self.pressed_s + 0.1
        return int(flagged[before].sum()), int((~flagged[after]).sum())


REAL_CONCLUDE = capture.measuring.conclude


@pytest.fixture(autouse=True)
def _no_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """What becomes of flagged readings is tested with the analysis; here only what is flagged counts."""
    monkeypatch.setattr(capture.run, "look", lambda *_: (None, None))
    monkeypatch.setattr(capture.measuring, "conclude", lambda *_: (None, None))


class Wire:
    """A station with one simulated indicator at a wire, on a clock that stands while a reading travels."""

    def __init__(self, data: Path, name: str) -> None:
        self.clock = LockstepClock()
        self.plunger = Turning(self.clock)
        self._data, self._name = data, name
        self._steps = 0
        self.heard = 0

    @asynccontextmanager
    async def open(self) -> AsyncIterator[Bench]:
        with VirtualSerialPort(SHIPPED[self._name], self.plunger, self.clock) as port:
            bench = Bench(self._data, (at(self._name, port.url),), (), clock=self.clock)
            take = bench.checks.take

            def count(indicator: str, readings: list[Any]) -> None:
                self.heard += len(readings)
                take(indicator, readings)

            bench.checks.take = count  # type: ignore[method-assign]
            async with bench:
                await until(lambda: bench.indicators()[0].port)
                await self.go_on(0.3, sure=False)  # the first may lack its beginning
                yield bench

    async def go_on(self, seconds: float, *, sure: bool = True) -> None:
        """Readings for so long, each of them received before the clock goes on."""
        for _ in range(round(seconds * 50)):
            before = self.heard
            self._steps += 1
            self.clock.stand_at(self._steps * 0.02 + 1e-6)
            if sure:
                await until(lambda before=before: self.heard > before)
            else:
                await asyncio.sleep(0.003)

    async def end(self, bench: Bench, run: str) -> None:
        stopping = asyncio.create_task(bench.stop_run(run))
        while not stopping.done():
            await self.go_on(0.1, sure=False)


async def until(true: Callable[[], object]) -> None:
    async with asyncio.timeout(30):
        while not true():
            await asyncio.sleep(0.0003)


async def run_with(
    data: Path,
    name: str,
    press: Callable[[Turning], None],
    *,
    after_s: float = 0.6,
    before: Callable[[Turning], None] = lambda _: None,
) -> Run:
    wire, found = Wire(data, name), Run()
    before(wire.plunger)
    async with wire.open() as bench:
        begun = await bench.start_run(RunRequest(kind="runout", turns=100))
        await wire.go_on(1.0)
        found.pressed_s = 1.0
        press(wire.plunger)
        await wire.go_on(after_s)
        await asyncio.sleep(0.05)
        found.warnings = bench.active()[0].warnings
        await wire.end(bench, begun.run)
        found.record, found.trace = bench.store.run(begun.run), bench.store.trace(begun.run)
    found.trace = found.trace.where(found.trace.time_s < 1.0 + after_s)
    return found


def at(name: str, url: str) -> Indicator:
    described = SHIPPED[name]
    update: dict[str, Any] = {"link": described.link.model_copy(update={"port": url}), "rate_hz": 50}
    if isinstance(described.format, PolledFormat):
        update["format"] = described.format.model_copy(update={"pause_s": 0.001, "answer_within_s": 9.0})
    return described.model_copy(update=update)


def unit_key(plunger: Turning) -> None:
    plunger.inch = True


def status(word: Any) -> Callable[[Turning], None]:
    def press(plunger: Turning) -> None:
        plunger.status = word

    return press


def key(change: Callable[[Um], Um]) -> Callable[[Turning], None]:
    def press(plunger: Turning) -> None:
        plunger.key = change  # type: ignore[method-assign]

    return press


def zero_key(plunger: Turning) -> None:
    """The next reading is 0 wherever the plunger stands."""
    at_um: list[float] = []

    def zeroed(um: Um) -> Um:
        if um.size and not at_um:
            at_um.append(float(um[0]))
        return um - (at_um[0] if at_um else 0.0)

    plunger.key = zeroed  # type: ignore[method-assign]


def preset_key(plunger: Turning) -> None:
    """The next reading is 2 mm wherever the plunger stands."""
    zero_key(plunger)
    zeroed = plunger.key
    plunger.key = lambda um: zeroed(um) + 2_000.0  # type: ignore[method-assign]


@pytest.mark.parametrize(
    ("name", "press", "event", "words"),
    [
        ("bench", unit_key, "unit_switched", "Unit switched from mm to in"),
        ("bench-frames", unit_key, "unit_switched", "Unit switched from mm to in"),
        ("bench", zero_key, "zeroed", "The zero key was pressed while the run went on"),
        ("bench-polled", zero_key, "zeroed", "The zero key was pressed while the run went on"),
        ("bench-frames", preset_key, "preset", "A preset was recalled while the run went on"),
        ("bench-polled", key(lambda um: -um), "sign_reversed", "The sign was reversed while the run went on"),
    ],
)
async def test_a_key_in_mid_run_is_named_and_what_follows_is_kept_apart(
    tmp_path: Path, name: str, press: Callable[[Turning], None], event: str, words: str
) -> None:
    found = await run_with(tmp_path, name, press)
    assert found.codes == [event]
    assert [warning for warning in found.warnings if warning.startswith(words)]
    assert found.apart() == (0, 0)


@pytest.mark.parametrize(
    ("name", "word", "why"),
    [
        ("bench", "hold", "hold is on"),
        ("bench-frames", "hold", "hold is on"),
        ("bench", "preset", "a preset is active"),
    ],
)
async def test_a_status_that_speaks_against_readings_keeps_them_apart(
    tmp_path: Path, name: str, word: str, why: str
) -> None:
    found = await run_with(tmp_path, name, status(word))
    assert found.apart() == (0, 0)
    assert found.trace.flag is not None
    assert set(found.trace.flag.tolist()) == {"", why}


@pytest.mark.parametrize("from_the_start", [True, False])
async def test_a_unit_that_no_message_names_is_seen_by_its_finer_steps(
    tmp_path: Path, from_the_start: bool
) -> None:
    """Inches taken for millimetres would make a run-out 25.4 times too small."""

    def before(plunger: Turning) -> None:
        plunger.inch = from_the_start

    found = await run_with(tmp_path, "bench-polled", unit_key, before=before)
    assert found.trace.flag is not None
    flagged = found.trace.flag != ""
    assert set(found.trace.flag[flagged].tolist()) == {OFF_STEP}
    after = found.trace.time_s > found.pressed_s + 0.1
    # one value in a hundred falls on a whole step by chance: too few to measure anything
    assert flagged[after].mean() > 0.9
    assert flagged[~after].mean() > 0.8 if from_the_start else flagged[:45].sum() == 0
    assert any("finer than the described step" in warning for warning in found.warnings)


async def test_hold_without_a_status_is_asked_about(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture.run, "HOLD_S", 1.0)
    found = await run_with(tmp_path, "bench-polled", key(lambda um: np.full(um.size, 151.0)), after_s=1.3)
    assert any("hold is on" in warning for warning in found.warnings)


@pytest.mark.parametrize("turning", [True, False])
async def test_an_undisturbed_run_is_left_alone(tmp_path: Path, turning: bool) -> None:
    def still(plunger: Turning) -> None:
        if not turning:
            plunger.key = lambda um: um * 0 + 150.0  # type: ignore[method-assign]

    found = await run_with(tmp_path, "bench", still)
    assert (found.codes, found.warnings) == ([], ())
    assert found.trace.flag is None


async def test_the_maximum_mode_gives_no_end_play(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture.measuring, "conclude", REAL_CONCLUDE)
    top = [0.0]

    def maximum(um: Um) -> Um:
        kept = np.maximum.accumulate(np.concatenate([top, um]))[1:]
        top[0] = float(kept[-1]) if kept.size else top[0]
        return np.asarray(kept)

    wire = Wire(tmp_path, "bench")
    wire.plunger.key = maximum  # type: ignore[method-assign]
    async with wire.open() as bench:
        begun = await bench.start_run(RunRequest(kind="endplay", strokes=9, limit="0.05 mm"))
        await wire.go_on(3.5)
        await wire.end(bench, begun.run)
        (result,) = bench.store.run(begun.run).results
    told = EndplayResult.model_validate(result)
    assert told.verdict == "not measurable"
    assert told.play_mm is None


# The watch by itself ---------------------------------------------------------------------------------


def flags(values_um: list[float], least_nm: int = 0, gap_at: int | None = None) -> list[bool]:
    watch = ZeroWatch(1_000, least_nm)
    late = 2_000_000_000
    return [
        watch.flag(n * 20_000_000 + (late if gap_at is not None and n >= gap_at else 0), round(um * 1000))
        is not None
        for n, um in enumerate(values_um)
    ]


SLOPE = [100.0 + 0.5 * n for n in range(30)]


@pytest.mark.parametrize(
    ("after", "apart"),
    [
        ([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5], 8),  # zeroed
        ([-115.0, -115.5, -116.0, -116.5, -117.0, -117.5, -118.0, -118.5], 8),  # mirrored
        ([5_000.0, 5_000.5, 5_001.0, 5_001.5, 5_002.0, 5_002.5, 5_003.0, 5_003.5], 8),  # a preset
        ([0.0, 115.5, 116.0], 1),  # dirt: it comes back at once
        ([115.0, 115.5, 116.0], 0),
        ([300.0, 300.5, 301.0], 0),  # a slip of the holder: the analysis knows it by itself
    ],
)
def test_leaps(after: list[float], apart: int) -> None:
    found = flags(SLOPE + after)
    assert sum(found) == apart
    assert not any(found[: len(SLOPE)])


def test_over_a_gap_and_under_a_hand_nothing_is_suspected() -> None:
    assert not any(flags([*SLOPE, 0.0, 0.5, 1.0], gap_at=len(SLOPE)))
    assert not any(flags([0.0] * 30 + [80.0] * 30 + [0.0] * 30, least_nm=500_000))
    assert not any(flags([0.0] * 30 + [700.0] * 30 + [0.0] * 30, least_nm=500_000))  # there and back
    assert sum(flags([700.0] * 30 + [0.0] * 30, least_nm=500_000)) == 30
