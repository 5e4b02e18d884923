"""Every demo scenario over many seeds: what is measured beside what is true.

    python -m tests.bench.scenarios [--seeds 50] [--no-marks]

The same readings as the demo's (an indicator of 1 um steps, 50 readings a second, a hand whose speed swings
by 40 %), as fast as they can be computed. Prints one row a scenario; nothing here passes or fails.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass

import numpy as np

from analysis.measure import measure_endplay, measure_runout
from analysis.rest import check_rest
from analysis.results import EndplayResult, RunoutResult
from analysis.values import Setup
from config.indicators import indicator_named, load_indicators
from config.settings import default_limit, load_limits
from simulators.hand import Rest, Strokes, Turn
from simulators.recording import Marks, Recording, record
from simulators.scenarios import scenario_names
from tests.recordings import trace_of


@dataclass(frozen=True)
class Measured:
    """One seed of a scenario: results, and by how much they miss the truth (um; None without a figure)."""

    runout: RunoutResult
    endplay: EndplayResult
    steady: bool
    runout_off_um: float | None
    endplay_off_um: float | None
    turns_off: float | None

    @property
    def blamed(self) -> tuple[str, ...]:
        """Every part that either measurement points to."""
        return tuple(each.part for each in (*self.runout.points_to, *self.endplay.points_to))


def measured(scenario: str, seed: int, *, tapped: bool = True) -> Measured:
    """Rest check, three strokes and three turns of one drawn wheel end, as the demo does them.

    Args:
        scenario: its name.
        seed: of all that is drawn.
        tapped: the index mark is tapped, 0.06 s early or late, as in the demo.
    """
    indicator = indicator_named("bench", load_indicators())
    limits = load_limits()

    def recorded(action: Rest | Strokes | Turn) -> Recording:
        marks = Marks(jitter_s=0.06, missed=0.0, doubled=0.0) if tapped and isinstance(action, Turn) else None
        return record(scenario, action, seed, indicator=indicator, marks=marks)

    rest = check_rest(trace_of(recorded(Rest(3.0))), Setup())
    setup = Setup(
        permissible_error_um=indicator.permissible_error_nm / 1000.0,
        asked_turns=3.0,
        studs=5,
        holder_moved=not rest.steady,
    )
    turning, pushing = recorded(Turn(3.4, "gentle", turn_s=4.2)), recorded(Strokes(3))
    runout = measure_runout(trace_of(turning), limit=default_limit("runout", limits), setup=setup)
    endplay = measure_endplay(trace_of(pushing), limit=default_limit("endplay", limits), setup=setup)
    return Measured(
        runout,
        endplay,
        bool(rest.steady),
        runout_off_um(runout, turning),
        endplay_off_um(endplay, pushing),
        None if runout.turns.total is None else runout.turns.total - turning.truth.turn.total_turns,
    )


def runout_off_um(result: RunoutResult, recording: Recording) -> float | None:
    """The largest turn's movement as measured, less the true one between the same instants."""
    if not result.fim_mm.per_turn:
        return None
    starts_deg = np.interp(result.turns.starts_s, recording.time_s, recording.truth.angle_deg)
    turn = recording.truth.turn
    true_um = max(turn.fim_per_turn_um(float(starts_deg[0])) or turn.fim_per_turn_um())
    return max(result.fim_mm.per_turn) * 1000.0 - true_um


def endplay_off_um(result: EndplayResult, recording: Recording) -> float | None:
    """The play as measured, less the movement between the levels that were held."""
    return None if result.play_mm is None else result.play_mm * 1000.0 - recording.truth.strokes.play_um


def _row(scenario: str, seeds: int, tapped: bool) -> str:
    all_of = [measured(scenario, seed, tapped=tapped) for seed in range(seeds)]

    def worst(values: list[float | None]) -> str:
        given = np.abs([value for value in values if value is not None])
        return f"{np.percentile(given, 95):5.2f} {given.max():5.2f} ({given.size})" if given.size else "-"

    def verdicts(values: list[str | None]) -> str:
        return ", ".join(f"{verdict} {count}" for verdict, count in Counter(values).most_common())

    return (
        f"{scenario:14} run-out off p95/max {worst([m.runout_off_um for m in all_of])}  "
        f"end play {worst([m.endplay_off_um for m in all_of])}  "
        f"count off > 0.25: {sum(abs(m.turns_off or 0) > 0.25 for m in all_of)}  "
        f"steady {sum(m.steady for m in all_of)}  "
        f"run-out [{verdicts([m.runout.verdict for m in all_of])}] "
        f"end play [{verdicts([m.endplay.verdict for m in all_of])}] "
        f"points to [{verdicts([part for m in all_of for part in m.blamed])}]"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--no-marks", action="store_true", help="nobody taps the index mark")
    asked = parser.parse_args()
    for scenario in scenario_names():
        print(_row(scenario, asked.seeds, not asked.no_marks), flush=True)


if __name__ == "__main__":
    main()
