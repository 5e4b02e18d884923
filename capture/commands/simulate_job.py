"""``hubproof simulate job``: a whole job walked through, with the simulator as the hardware."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import json_option
from config.errors import HubproofError, InputError

if TYPE_CHECKING:
    import httpx

    from config.clock import Clock
    from config.indicators import Indicator
    from simulators.bench import Deed, SimulatedBench
    from simulators.bore import BoreBench, GaugingDeed
    from simulators.indicator import Readings
    from simulators.stories import Measure, Story

BEFORE_S = 0.8
PATIENCE_S = 6.0
READY_WITHIN_S = 120.0
"""It may be one of many programs on a busy machine."""
LOOK_S = 0.2
TAP_JITTER_S = 0.05
NOT_AS_TOLD = 1


@click.command("job", short_help="Walk a whole invented job through.")
@click.argument("name", metavar="worn-bearing|bent-flange|oval-bore|good-hub")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("hubproof-demo"),
    show_default=True,
)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True)
@json_option
def command(name: str, out: Path, seed: int, as_json: bool) -> int:
    """Walk a whole invented job through: every step over the daemon's door, every run from a simulated hand.

    One thing is done wrongly first, for the tool to catch. Each line says what was recorded and, of a run,
    what was true. Exit status 1 when something did not end as the story tells it. Takes about two minutes.
    """
    from simulators.stories import STORIES, story_named

    try:
        story = story_named(name)
    except LookupError as error:
        known = ", ".join(story.name for story in STORIES)
        raise InputError(f"no job is named {name!r}", expected=f"one of: {known}") from error

    def say(line: dict[str, Any]) -> None:
        from capture.commands.job_options import say as print_line

        print_line(line, _words(line), as_json)

    return asyncio.run(_walk(story, out / story.name, seed, say))


def _words(line: dict[str, Any]) -> str:
    text = f"{'!' if line.get('caught') else ' '} {line['step']:<20} {line.get('answer') or ''}"
    if "true_mm" in line:
        text += (
            f"   found {line['found_mm']:.4f} ± {line['expanded_mm']:.4f} mm, true {line['true_mm']:.4f} mm"
        )
    return text + (f"   {line['problem']}" if line.get("problem") else "")


async def _walk(story: Story, folder: Path, seed: int, say: Callable[[dict[str, Any]], None]) -> int:
    import httpx

    from capture.client import daemon_of
    from capture.commands.demo import daemon_process
    from capture.commands.simulate import described_at
    from config.clock import SystemClock
    from config.indicators import indicator_named, load_indicators
    from simulators.serial_port import VirtualSerialPort

    indicator = indicator_named("bench", load_indicators())
    folder.mkdir(parents=True, exist_ok=True)
    clock = SystemClock()
    there = _AtTheIndicator(indicator, clock, seed)
    with VirtualSerialPort(indicator, there, clock) as port:
        described = folder / "indicators.toml"
        described.write_text(described_at(indicator, port.url), encoding="utf-8")
        async with daemon_process(folder, described, within_s=READY_WITHIN_S):
            address = await daemon_of(folder)
            assert address is not None
            async with httpx.AsyncClient(base_url=address, timeout=30.0, trust_env=False) as client:
                return await _Technician(client, there, story, say, seed).work()


class _AtTheIndicator:
    """What stands at the one indicator just now: a hub, or a bore; a `simulators.playback.Source`."""

    def __init__(self, indicator: Indicator, clock: Clock, seed: int) -> None:
        self._indicator, self._clock, self._seed = indicator, clock, seed
        self._now: SimulatedBench | BoreBench = self._hub(("sound-hub", 1))

    def _hub(self, which: tuple[str, int]) -> SimulatedBench:
        from simulators.bench import SimulatedBench
        from simulators.scenarios import build

        scenario, seed = which
        return SimulatedBench(build(scenario, seed, self._indicator), self._seed, self._clock)

    def put(self, measure: Measure) -> None:
        """Put there what is measured."""
        import numpy as np

        from simulators.bore import Bore, BoreBench
        from simulators.indicator import Gauge, gauge_of
        from simulators.stories import RING_MM

        if isinstance(measure.at, Bore):
            like = Gauge(noise_um=0.2, hysteresis_um=0.2)
            gauge = gauge_of(self._indicator, np.random.default_rng(self._seed), like)
            self._now = BoreBench(measure.at, RING_MM, gauge, self._seed, self._clock)
        else:
            self._now = self._hub(measure.at)

    def do(self, measure: Measure) -> Deed | GaugingDeed:
        """Let the hand begin, a moment later."""
        from simulators.bore import BoreBench, Gauging
        from simulators.hand import Rest

        if isinstance(self._now, BoreBench):
            assert isinstance(measure.action, Gauging)
            return self._now.do(measure.action)
        assert not isinstance(measure.action, Gauging)
        self._now.do(Rest(BEFORE_S))
        return self._now.do(measure.action)

    @property
    def now_s(self) -> float:
        """See `Source`."""
        return self._now.now_s

    def next_s(self) -> float:
        """See `Source`."""
        return self._now.next_s()

    def due(self) -> Readings:
        """See `Source`."""
        return self._now.due()


class _Technician:
    """Works a story through over the daemon's door."""

    def __init__(
        self,
        client: httpx.AsyncClient,
        there: _AtTheIndicator,
        story: Story,
        say: Callable[[dict[str, Any]], None],
        seed: int,
    ) -> None:
        self._client, self._there, self._story, self._say = client, there, story, say
        self._taps = random.Random(seed)  # noqa: S311 - a foot, not a secret
        self._wrong: list[str] = []
        self._job = ""
        self._by = ""

    async def work(self) -> int:
        """The story from arrival to its end; the exit status."""
        from simulators.stories import SHEET, WHEEL, Answer, Measure

        self._by = str(SHEET["technician"])
        sheet = {**SHEET, "vin": self._story.vin, "wheels": [WHEEL]}
        opened = await self._ask("POST", "/jobs", json=sheet)
        self._job = opened["job"]["id"]
        self._say({"step": "opened", "answer": self._job})
        for part in self._story.parts:
            if isinstance(part, Answer):
                await self._answer(part.step, part.answer, part.wrong)
            elif isinstance(part, Measure):
                await self._measure(part)
            else:
                await self._photograph(part.step, part.name)
        for step in self._story.refused:
            await self._refused(step)
        return await self._end()

    async def _answer(self, step: str, answer: str | None, wrong: bool) -> None:
        asked = {"technician": self._by, **({} if answer is None else {"answer": answer})}
        taken = await self._ask("POST", f"/jobs/{self._job}/steps/{step}", json=asked)
        self._tell(step, taken, wrong)

    def _tell(self, step: str, taken: dict[str, Any], wrong: bool, **more: Any) -> None:
        caught = taken["problem"] is not None
        self._expect(caught == wrong, f"step {step!r} was {'' if caught else 'not '}caught")
        told = {"step": step, "answer": taken["answer"], "caught": caught, "problem": taken["problem"]}
        self._say({**told, **more})

    async def _photograph(self, step: str, name: str) -> None:
        from simulators.stories import PHOTO

        taken = await self._ask(
            "POST",
            f"/jobs/{self._job}/steps/{step}/photos",
            params={"technician": self._by, "name": name},
            content=PHOTO,
        )
        self._tell(step, taken, wrong=False)

    async def _measure(self, part: Measure) -> None:
        there = self._there
        there.put(part)
        await asyncio.sleep(BEFORE_S)
        begun = await self._ask("POST", f"/jobs/{self._job}/steps/{part.step}/run", json={})
        run = begun["run"]
        deed = there.do(part)
        for tap_s in self._taps_s(deed):
            await asyncio.sleep(max(0.0, tap_s - there.now_s))
            await self._ask("POST", f"/runs/{run}/mark")
        while (told := await self._ask("GET", f"/runs/{run}"))["progress"] is not None:
            if there.now_s > deed.ends_s + PATIENCE_S:
                await self._ask("POST", f"/runs/{run}/stop")
            await asyncio.sleep(LOOK_S)
        taken = await self._ask(
            "POST", f"/jobs/{self._job}/steps/{part.step}", json={"technician": self._by, "run": run}
        )
        right = part.verdict in ("any", taken["answer"])
        self._expect(right, f"step {part.step!r}: {taken['answer']} instead of {part.verdict}")
        figures = _figures(told["results"][-1] if told["results"] else {}, deed, part)
        self._tell(part.step, taken, part.verdict == "over" and part.step == "bore", **figures)

    def _taps_s(self, deed: Deed | GaugingDeed) -> Iterator[float]:
        """When the technician's foot taps: near each passing of the index mark. Seconds of the bench."""
        from simulators.bench import Deed
        from simulators.hand import Turn

        if not isinstance(deed, Deed) or not isinstance(deed.action, Turn):
            return
        whole = deed.motion.angle_deg[0] // 360.0
        for time_s, angle_deg in zip(deed.motion.time_s, deed.motion.angle_deg, strict=True):
            if angle_deg // 360.0 > whole:
                whole = angle_deg // 360.0
                yield deed.starts_s + float(time_s) + self._taps.gauss(0.0, TAP_JITTER_S)

    async def _refused(self, step: str) -> None:
        asked = {"technician": self._by, "answer": "on the outer race"}
        try:
            await self._ask("POST", f"/jobs/{self._job}/steps/{step}", json=asked)
        except HubproofError as error:
            self._say({"step": step, "answer": "refused", "caught": True, "problem": error.line()})
            return
        self._expect(False, f"step {step!r} was not refused")

    async def _end(self) -> int:
        told = await self._ask("GET", f"/jobs/{self._job}")
        (end,) = told["wheels"]
        for decision in end["decisions"]:
            self._say({"step": decision["part"], "answer": f"{decision['action']}: {decision['reasons'][0]}"})
            expected = self._story.decides.get(decision["part"])
            self._expect(expected in (None, decision["action"]), f"{decision['part']}: {decision['action']}")
        for line in end["before_after"]:
            if line["change"]:
                self._say({"step": line["quantity"], "answer": line["change"]["text"]})
        if self._story.ends == "released":
            told = await self._ask("POST", f"/jobs/{self._job}/release")
        else:
            stop = {"technician": self._by, "reason": self._story.ends}
            told = await self._ask("POST", f"/jobs/{self._job}/stop", json=stop)
        self._expect(told["state"] == ("released" if self._story.ends == "released" else "stopped"), "end")
        self._say({"step": "end", "answer": told["state"], "not_as_told": self._wrong})
        return NOT_AS_TOLD if self._wrong else 0

    def _expect(self, true: bool, what: str) -> None:
        if not true:
            self._wrong.append(what)

    async def _ask(self, method: str, path: str, **more: Any) -> Any:
        answer = await self._client.request(method, path, **more)
        if answer.is_success:
            return answer.json() if answer.content else None
        plain = answer.headers.get("content-type") != "application/json"
        error = {"what": answer.text} if plain else answer.json().get("error") or {"what": answer.text}
        raise InputError(str(error["what"]), where=error.get("where") or path, do=error.get("do"))


def _figures(result: dict[str, Any], deed: Deed | GaugingDeed, part: Measure) -> dict[str, float]:
    """Found and true, mm; nothing when there is no figure."""
    from simulators.bore import Bore, GaugingDeed

    kind, spread = result.get("kind"), result.get("uncertainty_mm")
    if spread is None:
        return {}
    if isinstance(deed, GaugingDeed) and isinstance(part.at, Bore):
        found, true_um = result["value_mm"], part.at.oval_um
    elif isinstance(deed, GaugingDeed):
        return {}
    elif kind == "endplay" and deed.truth.strokes is not None:
        found, true_um = result["play_mm"], deed.truth.strokes.play_um
    elif deed.truth.turn is not None and result["fim_mm"]["per_turn"]:
        found, true_um = max(result["fim_mm"]["per_turn"]), max(deed.truth.turn.fim_per_turn_um())
    else:
        return {}
    return {"found_mm": found, "expanded_mm": spread["expanded"], "true_mm": true_um / 1000.0}
