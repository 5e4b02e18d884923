"""The course of a check: the untouched indicator first, then one gauge block after another. Pure.

Nobody presses a key: a block counts as set when the reading stands still near the length that it should
show. A reading that stands still elsewhere is told, because another block may lie there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.indicator_check import BLOCK_ERROR_UM, Level, Seen
from analysis.results_check import Direction
from capture.check_messages import CheckRequest
from capture.messages import CheckState
from capture.reading import Fault, Reading
from config.clock import NS_PER_S
from config.errors import InputError
from config.indicators import Indicator
from config.lengths import NM_PER_UM, parse_length_nm, show_length

STILL_S = 1.0
FEWEST_STILL = 8
STILL_STEPS = 2
STILL_NOISE = 6.0
WAIT_S = 180.0
"""Without a new block for this long nobody is at the indicator."""
OFF_SHARE = 0.05
OFF_ERRORS = 20
OFF_LEAST_NM = 50_000
"""A block may read so much off and still be it: a share of its length, permissible errors, or 0.05 mm."""
MOST_KEPT = 200_000
TRAVEL_SHARE = 0.5
"""So much of the described range has to be gone through before a plunger at rest ends the travel."""


@dataclass(frozen=True, slots=True)
class Target:
    """A block to set: its length and the way it is come to."""

    nominal_nm: int
    direction: Direction


@dataclass(frozen=True, slots=True)
class CheckStep:
    """The state and one short sentence for the technician."""

    state: CheckState
    say: str


def targets_of(request: CheckRequest) -> tuple[Target, ...]:
    """The blocks in the order in which they are set.

    Raises:
        InputError: a length that is none or negative, the same twice in a row, or a single one.
    """
    where = "--block"
    nominal = [parse_length_nm(text, where=where) for text in request.blocks]
    if len(nominal) == 1:
        raise InputError("one block shows no deviation", where=where, expected="two blocks or more")
    if any(length < 0 for length in nominal):
        raise InputError("a block is not shorter than nothing", where=where)
    if len(set(nominal)) != len(nominal):
        raise InputError("a block is named twice", where=where, expected="different lengths, first to last")
    up = [Target(length, "up") for length in nominal]
    return tuple(up + [Target(length, "down") for length in reversed(nominal[:-1])] * request.down)


def block_error_um(request: CheckRequest) -> float:
    """Permissible deviation of the blocks.

    Raises:
        InputError: not a positive length.
    """
    if request.block_error is None:
        return BLOCK_ERROR_UM
    length_nm = parse_length_nm(request.block_error, where="--block-error")
    if length_nm <= 0:
        raise InputError("is not above zero", where="--block-error")
    return length_nm / NM_PER_UM


class CheckCourse:
    """Follows one check; fed with readings, asked for the step.

    Args:
        indicator: its description.
        request: what is to be done.
        started_ns: the monotonic clock now.
    """

    def __init__(self, indicator: Indicator, request: CheckRequest, started_ns: int) -> None:
        self._indicator = indicator
        self._rest_ns = round(request.rest_s * NS_PER_S)
        self.targets = targets_of(request)
        self._travels = request.travel
        self._lowest_nm = self._highest_nm = 0
        self.travel_nm: int | None = None
        self.levels: list[Level] = []
        self._rest: list[Reading] = []
        self._values: deque[int] = deque(maxlen=MOST_KEPT)
        self._recent: deque[Reading] = deque()
        self._noise_nm = 0.0
        self._flags: dict[str, None] = {}
        self._flagged = self._unreadable = 0
        self._since_ns = started_ns

    def take(self, readings: Sequence[Reading]) -> None:
        """Readings as they come; flagged ones are counted and not used."""
        for reading in readings:
            if reading.flag is not None:
                self._flagged += 1
                self._flags[reading.flag] = None
                continue
            if not self._rested:
                self._rest.append(reading)
            if not self._values:
                self._lowest_nm = self._highest_nm = reading.length_nm
            self._values.append(reading.length_nm)
            self._lowest_nm = min(self._lowest_nm, reading.length_nm)
            self._highest_nm = max(self._highest_nm, reading.length_nm)
            self._recent.append(reading)
        while self._recent and self._recent[-1].t_ns - self._recent[0].t_ns > STILL_S * NS_PER_S:
            self._recent.popleft()

    def take_faults(self, faults: Sequence[Fault]) -> None:
        """What could not be read."""
        self._unreadable += len(faults)

    @property
    def _rested(self) -> bool:
        return bool(self._rest) and self._rest[-1].t_ns - self._rest[0].t_ns >= self._rest_ns

    def step(self, now_ns: int, trouble: str | None = None) -> CheckStep:
        """How it stands at `now_ns`; `trouble` is why no reading arrives, when none does."""
        if not self._rested:
            seconds = self._rest_ns / NS_PER_S
            block = f" on the block of {self._shown(0)}" if self.targets else ""
            say = trouble or f"Hands off: the indicator is watched for {seconds:g} s{block}."
            late = now_ns - self._since_ns > self._rest_ns + WAIT_S * NS_PER_S
            return (
                CheckStep("interrupted", trouble or "No reading arrived.")
                if late
                else CheckStep("resting", say)
            )
        if not self._noise_nm:
            self._noise_nm = max(1.0, float(np.std([reading.length_nm for reading in self._rest])))
        if self._travels and self.travel_nm is None:
            return self._travel(now_ns, trouble)
        self._take_level(now_ns)
        if len(self.levels) == len(self.targets):
            return CheckStep("done", "Check done.")
        if now_ns - self._since_ns > WAIT_S * NS_PER_S:
            return CheckStep("interrupted", trouble or f"{self._ask()} It was not set within {WAIT_S:g} s.")
        return CheckStep("setting", trouble or self._ask())

    def _travel(self, now_ns: int, trouble: str | None) -> CheckStep:
        """The plunger is moved from end to end, then stands still again."""
        moved_nm = self._highest_nm - self._lowest_nm
        if moved_nm > TRAVEL_SHARE * self._indicator.range_nm and self._still_nm() is not None:
            self.travel_nm, self._since_ns = moved_nm, now_ns
            return CheckStep("setting", "Travel seen.")
        if now_ns - self._since_ns > self._rest_ns + WAIT_S * NS_PER_S:
            return CheckStep("interrupted", trouble or f"The plunger was not moved within {WAIT_S:g} s.")
        back = " and let it back onto the first block" if self.targets else ""
        ask = f"Push the plunger in to its end, let it out to its end{back}, then hands off."
        return CheckStep("setting", trouble or ask)

    def _shown(self, place: int) -> str:
        return show_length(self.targets[place].nominal_nm, "mm", step_nm=self._indicator.resolution_nm)

    def _ask(self) -> str:
        place = len(self.levels)
        if place == 0:
            return f"Leave the block of {self._shown(0)} under the plunger, hands off."
        ask = f"Set the block of {self._shown(place)} under the plunger, then hands off."
        at = self._still_nm()
        if at is not None and not self._expected(at) and abs(at - self._before_nm()) > self._least_nm():
            step_nm = self._indicator.resolution_nm
            read = show_length(at - self._zero_nm(), "mm", step_nm=step_nm)
            return f"{ask} What lies there now reads {read}."
        return ask

    # Levels --------------------------------------------------------------------------------------

    def _take_level(self, now_ns: int) -> None:
        if self._since_ns < self._rest[-1].t_ns:
            self._since_ns = self._rest[-1].t_ns
        if len(self.levels) == len(self.targets):
            return
        at = self._still_nm()
        if at is None or (self.levels and not self._expected(at)):
            return
        target = self.targets[len(self.levels)]
        values = tuple(reading.length_nm for reading in self._recent)
        self.levels.append(Level(target.nominal_nm, target.direction, values))
        self._since_ns = now_ns

    def _still_nm(self) -> float | None:
        """The mean of the last second when the reading stood still in it."""
        values = [reading.length_nm for reading in self._recent]
        whole = len(values) >= FEWEST_STILL and (
            self._recent[-1].t_ns - self._recent[0].t_ns >= 0.8 * STILL_S * NS_PER_S
        )
        limit = max(STILL_STEPS * self._indicator.resolution_nm, STILL_NOISE * self._noise_nm)
        return sum(values) / len(values) if whole and max(values) - min(values) <= limit else None

    def _zero_nm(self) -> float:
        """What the indicator would show at a block of nothing, by the first block."""
        first = self.levels[0].length_nm
        return sum(first) / len(first) - self.targets[0].nominal_nm

    def _before_nm(self) -> float:
        last = self.levels[-1].length_nm
        return sum(last) / len(last)

    def _least_nm(self) -> float:
        """A level that differs from the last by less is still the last one."""
        place = len(self.levels)
        return 0.5 * abs(self.targets[place].nominal_nm - self.targets[place - 1].nominal_nm)

    def _expected(self, at_nm: float) -> bool:
        """Whether the reading may be that of the block to set."""
        target = self.targets[len(self.levels)]
        far = abs(target.nominal_nm - self.targets[0].nominal_nm)
        room = max(OFF_SHARE * far, OFF_ERRORS * self._indicator.permissible_error_nm, OFF_LEAST_NM)
        off = abs(at_nm - self._zero_nm() - target.nominal_nm)
        return off <= min(room, self._least_nm()) if self.levels else True

    # What was seen -------------------------------------------------------------------------------

    def seen(self) -> Seen:
        """All that was seen, for the judgement."""
        start_ns = self._rest[0].t_ns if self._rest else 0
        return Seen(
            time_s=np.array([reading.t_ns - start_ns for reading in self._rest], dtype=np.float64) / NS_PER_S,
            length_nm=[reading.length_nm for reading in self._rest],
            moving_nm=list(self._values),
            flagged=self._flagged,
            unreadable=self._unreadable,
            flags=tuple(self._flags),
            travel_nm=self.travel_nm,
        )
