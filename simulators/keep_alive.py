"""An indicator kept alive for bench tests: the hand rests, strokes, rests and turns, again and again."""

from __future__ import annotations

from collections.abc import Callable, Generator

import numpy as np

from config.clock import Clock, SystemClock
from config.indicators import Indicator, indicator_named, load_indicators
from simulators.bench import SimulatedBench
from simulators.bore import Bore, BoreBench, Gauging
from simulators.faults import WireFaults
from simulators.hand import Action, Manner, Rest, Strokes, Turn
from simulators.indicator import Gauge, gauge_of
from simulators.scenarios import build, scenario_named
from simulators.serial_port import VirtualSerialPort


def said(action: Action) -> str:
    """What the hand does, in a few words."""
    match action:
        case Rest(seconds):
            return f"at rest for {seconds:.0f} s"
        case Strokes(count=count):
            return f"{count} strokes: pushed in, pulled out"
        case Turn(turns=turns, manner=manner):
            return f"turned {turns:.1f} turns, {manner} hand"
        case _:
            return f"turned from stud to stud, {action.turns} turns"


def run(
    scenario: str = "sound-hub",
    *,
    seed: int = 0,
    indicator: Indicator | None = None,
    wire: str = "auto",
    port: int = 0,
    clock: Clock | None = None,
    manner: Manner = "ordinary",
    rest_s: float = 5.0,
    strokes: int = 3,
    turns: float = 3.3,
    rounds: int | None = None,
    faults: WireFaults | None = None,
    opened: Callable[[str], None] = lambda url: None,
) -> Generator[str, None, None]:
    """Keep an indicator alive until the iterator is closed (or for `rounds` rounds).

    `opened` is called once with what a program opens, before the first line.

    Yields lines to show: first the port to open, then what the hand does, as it begins to.

    Raises:
        InputError: no such scenario.
    """
    pace = clock or SystemClock()
    described = indicator or indicator_named("bench", load_indicators())
    recipe = scenario_named(scenario)
    bench = SimulatedBench(build(recipe, seed, described), seed, pace)
    with VirtualSerialPort(described, bench, pace, wire=wire, port=port, faults=faults) as virtual:
        opened(virtual.url)
        yield f"{recipe.title}: indicator {described.name!r} speaks at {virtual.url}"
        done = 0
        while rounds is None or done < rounds:
            for action in (Rest(rest_s), Strokes(strokes), Rest(rest_s), Turn(turns, manner)):
                deed = bench.do(action)
                yield said(action)
                pace.pause(max(0.0, deed.ends_s - bench.now_s))
            done += 1


def gauge(
    bore: Bore,
    *,
    ring_mm: float,
    seed: int = 0,
    indicator: Indicator | None = None,
    wire: str = "auto",
    clock: Clock | None = None,
    rest_s: float = 8.0,
    rounds: int | None = None,
    opened: Callable[[str], None] = lambda url: None,
) -> Generator[str, None, None]:
    """Keep an indicator in a bore gauge alive until the iterator is closed (or for `rounds` rounds).

    Yields lines to show, as `run` does.
    """
    pace = clock or SystemClock()
    described = indicator or indicator_named("bench", load_indicators())
    like = Gauge(noise_um=0.2, hysteresis_um=0.2)
    bench = BoreBench(bore, ring_mm, gauge_of(described, np.random.default_rng(seed), like), seed, pace)
    with VirtualSerialPort(described, bench, pace, wire=wire) as virtual:
        opened(virtual.url)
        yield f"a bore of {bore.diameter_mm:.3f} mm: indicator {described.name!r} speaks at {virtual.url}"
        done = 0
        while rounds is None or done < rounds:
            pace.pause(rest_s)
            deed = bench.do(Gauging())
            yield f"gauged in 4 directions at 2 depths, {deed.ends_s - deed.starts_s:.0f} s"
            pace.pause(max(0.0, deed.ends_s - bench.now_s))
            done += 1
