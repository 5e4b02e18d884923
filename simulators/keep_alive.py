"""An indicator kept alive for bench tests: the hand rests, strokes, rests and turns, again and again."""

from __future__ import annotations

from collections.abc import Callable, Generator

from config.clock import Clock, SystemClock
from config.indicators import Indicator, indicator_named, load_indicators
from simulators.bench import SimulatedBench
from simulators.faults import WireFaults
from simulators.hand import Action, Manner, Rest, Strokes, Turn
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
