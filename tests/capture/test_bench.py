"""The bench as a whole, with scripted links and a clock that the test moves."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import date
from pathlib import Path

import pytest

import capture.measuring
import capture.run
from analysis.record import Store
from analysis.results import Counts, EndplayResult, RestResult, StrokeOut
from analysis.trace import Trace
from capture.bench import Bench
from capture.folder import DATABASE
from capture.messages import Message, RunProgress, RunRequest, RunResult
from capture.warnings import set_up_warnings, unit_warning
from config.errors import InputError, StoreError
from config.indicators import Indicator, Unit
from config.limits import parse_limit
from tests.capture.helpers import ManualClock, ScriptedLink, indicator, line

PERIOD_S = 0.02


class Station:
    """A bench with one scripted indicator at 50 readings/s."""

    def __init__(self, data: Path, described: Indicator) -> None:
        self.clock = ManualClock()
        self.links: list[ScriptedLink] = []
        self.bench = Bench(data, (described,), (), clock=self.clock, open_link=self._open)
        self.messages: list[Message] = []

    def _open(self, *_: object) -> ScriptedLink:
        self.links.append(ScriptedLink(self.clock))
        return self.links[-1]

    async def send(self, lengths_um: list[int], unit: str = "mm") -> None:
        step = 254 if unit == "in" else 1_000
        for length in lengths_um:
            self.links[-1].send(line(length * step, unit))
            await self.clock.run_for(PERIOD_S)

    async def until(self, true: Callable[[], object], step_s: float = 0.0) -> None:
        """Wait for what happens in threads, moving the clock by `step_s` at each look."""
        async with asyncio.timeout(30):
            while not true():
                await asyncio.sleep(0.005)
                await self.clock.run_for(step_s)

    def last_progress(self) -> RunProgress:
        return [message for message in self.messages if isinstance(message, RunProgress)][-1]

    def ended(self) -> bool:
        return any(isinstance(m, RunProgress) and m.state in ("done", "interrupted") for m in self.messages)


@asynccontextmanager
async def at_work(data: Path, described: Indicator | None = None) -> AsyncIterator[Station]:
    station = Station(data, described or indicator())
    async with station.bench as bench:
        subscription = bench.fanout.subscribe()

        async def listen() -> None:
            async for message in subscription.messages():
                station.messages.append(message)

        listening = asyncio.create_task(listen())
        await station.clock.run_for(0.1)
        yield station
    await listening


def stored(data: Path, run: str) -> list[float]:
    with Store.open(data / DATABASE) as store:
        return [round(value, 3) for value in store.trace(run).reading_um.tolist()]


def strokes(count: int) -> EndplayResult:
    stroke = StrokeOut(pushed_mm=0.02, pulled_mm=0.0, play_mm=0.02)
    return EndplayResult(
        readings=Counts(used=1, rejected=0),
        resolution_mm=0.001,
        uncertainty_mm=None,
        limit_mm=None,
        verdict=None,
        reasons=(),
        strokes=(stroke,) * count,
        play_mm=0.02,
        repeatability_mm=0.0,
        zero_return_mm=0.0,
        creep_mm=0.0,
        noise_mm=0.0,
    )


async def test_a_rest_check_ends_by_itself_and_is_kept(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="rest"))
        await station.send([5, 5, 6, 5] * 40)
        await station.until(station.ended)
    results = [message.result for message in station.messages if isinstance(message, RunResult)]
    assert [type(result) for result in results] == [RestResult]
    assert station.last_progress().state == "done"
    with Store.open(tmp_path / DATABASE) as store:
        record = store.run(begun.run)
    assert record.summary.state == "done"
    assert record.results[0]["kind"] == "rest"
    assert record.indicator["resolution_nm"] == 1_000


async def test_end_play_ends_when_enough_strokes_were_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def measure(_: RunRequest, trace: Trace, *__: object) -> EndplayResult:
        high = trace.reading_um > 10
        return strokes(int((high[:-1] & ~high[1:]).sum()))  # a stroke ends as the reading falls

    monkeypatch.setattr(capture.run, "look", lambda run, *asked: (measure(*asked), None))
    monkeypatch.setattr(capture.measuring, "conclude", lambda *asked: (measure(*asked), None))
    async with at_work(tmp_path) as station:
        await station.bench.start_run(RunRequest(kind="endplay", strokes=3))
        await station.send([0] * 50)
        # The hands go on until enough is said, however late the count comes; only then do they rest.
        sent = 0
        for _ in range(400):
            if "enough" in {m.state for m in station.messages if isinstance(m, RunProgress)}:
                break
            await station.send([20] * 50 + [0] * 50)
            sent += 1
            await asyncio.sleep(0.05)
        for _ in range(400):
            if station.ended():
                break
            await station.send([0] * 5)
            await asyncio.sleep(0.005)
        await station.until(station.ended)
    states = [m.state for m in station.messages if isinstance(m, RunProgress)]
    order = list(dict.fromkeys(states))
    assert order[-2:] == ["enough", "done"]
    assert "moving" in order
    (seen,) = [len(m.result.strokes) for m in station.messages if isinstance(m, RunResult)]  # type: ignore[union-attr]
    assert seen == sent >= 3


async def test_stopping_keeps_what_was_read(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="trace"))
        await station.send([1, 2, 3])
        stopping = asyncio.create_task(station.bench.stop_run(begun.run))
        await station.until(stopping.done, 0.1)
    assert stored(tmp_path, begun.run) == [1.0, 2.0, 3.0]
    assert station.last_progress().state == "done"


async def test_a_rest_check_says_while_it_goes_on_what_the_set_up_forbids(tmp_path: Path) -> None:
    """A step of 0.001 mm against 0.005 mm, and 0.4 mm from an end: seen live and in the end."""
    described = indicator(plunger_out="-12.3 mm")
    async with at_work(tmp_path, described) as station:
        begun = await station.bench.start_run(RunRequest(kind="rest", limit="0.005 mm"))
        await station.send([5, 5, 6, 5] * 20)
        live = station.last_progress().warnings
        await station.send([5, 5, 6, 5] * 20)
        await station.until(station.ended)
    assert any("coarse for a limit of 0.005" in text for text in live)
    assert any("within 0.39" in text for text in live)
    with Store.open(tmp_path / DATABASE) as store:
        (result,) = store.run(begun.run).results
    assert {"resolution_coarse", "plunger_near_end"} <= {reason["code"] for reason in result["reasons"]}


async def test_leaving_in_mid_run_closes_it_as_interrupted_with_every_reading(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="trace"))
        await station.send(list(range(100)))
    assert stored(tmp_path, begun.run) == list(range(100))
    with Store.open(tmp_path / DATABASE) as store:
        assert store.run(begun.run).summary.state == "interrupted"


async def test_a_drop_in_mid_run_is_a_recorded_gap_and_the_run_goes_on(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="trace"))
        await station.send([1, 2])
        station.links[-1].drop()
        await station.clock.run_for(3.0)
        await station.send([9, 9, 9])  # the first line after a drop in mid-stream is not whole
        await station.clock.run_for(0.2)
        assert station.last_progress().gaps == 1
    with Store.open(tmp_path / DATABASE) as store:
        record = store.run(begun.run)
    assert [event.code for event in record.events] == ["lost", "gap"]
    assert stored(tmp_path, begun.run) == [1, 2, 9, 9, 9]


async def test_a_unit_switched_in_mid_run_is_told_once_and_kept_apart(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="trace"))
        await station.send([1, 2])
        await station.send([10, 20], unit="in")
        await station.send([3])
        await station.clock.run_for(0.2)
        warnings = station.last_progress().warnings
    assert [warning for warning in warnings if "Unit switched from mm to in" in warning] == list(warnings[:1])
    with Store.open(tmp_path / DATABASE) as store:
        record, trace = store.run(begun.run), store.trace(begun.run)
    assert [event.code for event in record.events] == ["unit_switched"]
    assert trace.flag is not None
    assert [bool(flag) for flag in trace.flag.tolist()] == [False, False, True, True, False]
    assert trace.reading_um.tolist() == [1.0, 2.0, 2.54, 5.08, 3.0]


async def test_marks_are_kept(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="runout"))
        await station.send([1, 2])
        station.bench.mark(begun.run)
        await station.send([3])
    with Store.open(tmp_path / DATABASE) as store:
        assert len(store.run(begun.run).marks_s) == 1


async def test_what_cannot_be_begun_is_refused_in_one_line(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        bench = station.bench
        with pytest.raises(InputError, match="no indicator is named 'other'; expected one of: tested"):
            await bench.start_run(RunRequest(kind="rest", indicator="other"))
        with pytest.raises(InputError, match="has no unit"):
            await bench.start_run(RunRequest(kind="runout", limit="0.05"))
        with pytest.raises(InputError, match="not above zero"):
            await bench.start_run(RunRequest(kind="runout", limit="-0.05 mm"))
        begun = await bench.start_run(RunRequest(kind="trace"))
        with pytest.raises(InputError, match=f"is in run {begun.run}"):
            await bench.start_run(RunRequest(kind="rest"))
        with pytest.raises(InputError, match="does not go on"):
            bench.mark("nothing")


async def test_a_live_analysis_that_breaks_is_told_once_and_costs_no_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a fault of the analysis")

    monkeypatch.setattr(capture.run, "look", broken)
    sent: list[int] = []
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="runout"))
        for _ in range(20):
            sent += [1, 2, 3, 4]
            await station.send([1, 2, 3, 4])
            await asyncio.sleep(0.01)
        stopping = asyncio.create_task(station.bench.stop_run(begun.run))
        await station.until(station.ended, PERIOD_S)
        await stopping
    troubles = [message for message in station.messages if message.type == "trouble"]
    assert len([each for each in troubles if "a fault of the analysis" in each.text]) == 1
    assert station.last_progress().state == "done"
    assert any("live count failed" in warning for warning in station.last_progress().warnings)
    assert any(message.type == "result" for message in station.messages)  # the final analysis went on
    assert stored(tmp_path, begun.run) == sent


async def test_a_record_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / DATABASE).write_bytes(b"no database at all" * 100)
    with pytest.raises(StoreError, match="not a database"):
        async with Bench(tmp_path, (indicator(),), ()):
            pass


def test_what_speaks_against_a_set_up_is_said() -> None:
    limit = parse_limit("0.005 mm", "runout")
    found = set_up_warnings(indicator(calibration_due="2026-01-01"), limit, date(2026, 2, 1))
    assert any("Calibration was due on 2026-01-01" in text for text in found)
    assert any("coarse for a limit of 0.005" in text for text in found)
    assert set_up_warnings(indicator(), parse_limit("0.05 mm", "runout"), date(2026, 2, 1)) == ()


@pytest.mark.parametrize(
    ("described", "unit", "lengths_nm", "words"),
    [
        ({}, "mm", [1_000, 2_000], None),
        ({}, "in", [1_270, 2_540], "writes inches"),
        ({"resolution": "0.0005 in"}, "mm", [1_000, 2_000], "switch it to inches"),
        ({"resolution": "0.0005 in"}, "in", [12_700, 25_400], None),
        ({}, "mm", [1_500, 2_000], "finer than the described step"),  # ".0015" read as mm, meant as in
        ({}, "mm", [31_000_000, 31_001_000], "beyond the indicator's range"),
    ],
)
def test_the_wrong_unit_is_seen(
    described: dict[str, object], unit: Unit, lengths_nm: list[int], words: str | None
) -> None:
    found = unit_warning(indicator(**described), unit, lengths_nm * 10)
    assert (words in found) if words and found else found is words
    assert unit_warning(indicator(**described), unit, lengths_nm) is None  # too few to tell


async def test_of_ten_starts_at_once_one_begins(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        asked = [station.bench.start_run(RunRequest(kind="trace")) for _ in range(10)]
        answers = await asyncio.gather(*asked, return_exceptions=True)
        begun = [answer for answer in answers if isinstance(answer, RunProgress)]
        refused = [answer.line() for answer in answers if isinstance(answer, InputError)]
        assert (len(begun), len(refused)) == (1, 9)
        assert all("is in a run" in line for line in refused)
        await station.bench.stop_run(begun[0].run)
        again = await station.bench.start_run(RunRequest(kind="trace"))
        assert again.run != begun[0].run
    with Store.open(tmp_path / DATABASE) as store:
        assert len(store.runs()) == 2


async def test_a_run_that_cannot_be_written_down_leaves_its_indicators_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with at_work(tmp_path) as station:
        refuses = monkeypatch.context()
        with refuses as patched:
            patched.setattr(Store, "begin_run", _full)
            with pytest.raises(StoreError):
                await station.bench.start_run(RunRequest(kind="trace"))
        assert (await station.bench.start_run(RunRequest(kind="trace"))).state == "waiting"


def _full(*_: object, **__: object) -> None:
    raise StoreError("the disk is full")


async def test_a_stop_is_heard_at_once(tmp_path: Path) -> None:
    async with at_work(tmp_path) as station:
        begun = await station.bench.start_run(RunRequest(kind="trace"))
        await station.send([1, 2])
        stopping = asyncio.create_task(station.bench.stop_run(begun.run))
        async with asyncio.timeout(30):
            await stopping  # though the clock stands: no next look at the course is waited for
    assert stored(tmp_path, begun.run) == [1.0, 2.0]
