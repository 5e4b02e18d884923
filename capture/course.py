"""The course of a run: in which state it is, what to do next, and when enough was seen. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from math import isinf

from capture.messages import MeasuredKind, RunState

REST_S = 3.0
"""How long an untouched indicator is watched."""
SETTLE_S = 1.5
"""Without motion for this long the hub rests."""
FURTHER_TURNS = 0.25
AFTER_ENOUGH_S = 8.0
"""A technician who goes on after enough strokes is not waited for longer than this."""
LIKELY_S = 8.0
"""A hub that rests for this long was let go when the likelier of two counts is enough: without marks the
readings of a bent flange allow 3.4 turns and 1.7 alike, never surely enough. The result tells the doubt."""
IDLE_S = 30.0
"""A hub that rests for this long, after it was moved, will not be moved again."""
WAIT_S = 300.0
"""Without any motion for this long nobody is at the hub."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of a run at one moment; times in seconds from its start.

    Attributes:
        now_s: this moment.
        first_reading_s: when the first reading came, None before.
        moving: motion just now, None when the readings do not tell (none arrive).
        count: turns (a safe lower figure) or whole strokes, None when not told.
        trouble: why no reading arrives, when none does.
        likely: turns as the readings most likely tell them, None when not told.
    """

    now_s: float
    first_reading_s: float | None = None
    moving: bool | None = None
    count: float | None = None
    trouble: str | None = None
    likely: float | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """The state and one short sentence for the technician."""

    state: RunState
    say: str


class Course:
    """Follows one run. `step` is called again and again with what is seen; it never goes back from done.

    Args:
        kind: what is measured.
        asked: turns, strokes or places that are enough; infinite for a bore that is ended by hand; not used
            for a rest check or a plain trace.
    """

    def __init__(self, kind: MeasuredKind, asked: float) -> None:
        self.kind = kind
        self.asked = asked
        self._moved = False
        self._still_since_s: float | None = None
        self._enough_since_s: float | None = None

    def step(self, seen: Seen) -> Step:
        """The state at `seen`, and what to do."""
        self._follow_motion(seen)
        if seen.first_reading_s is None:
            if seen.now_s >= WAIT_S:
                return Step("done", "No reading arrived.")
            return Step("waiting", seen.trouble or "Waiting for the indicator.")
        step = {
            "rest": self._rest,
            "trace": self._trace,
            "runout": self._turning,
            "endplay": self._pushing,
            "bore": self._gauging,
        }[self.kind](seen)
        if seen.trouble and step.state != "done":
            return Step(step.state, seen.trouble)
        return step

    def _follow_motion(self, seen: Seen) -> None:
        if seen.moving:
            self._moved = True
        if seen.moving is False:
            self._still_since_s = seen.now_s if self._still_since_s is None else self._still_since_s
        else:
            self._still_since_s = None
        if self._enough_since_s is None and seen.count is not None and seen.count >= self.asked:
            self._enough_since_s = seen.now_s

    def _still_s(self, seen: Seen) -> float:
        return 0.0 if self._still_since_s is None else seen.now_s - self._still_since_s

    def _label(self, seen: Seen) -> RunState:
        if not self._moved:
            return "waiting"
        return "moving" if seen.moving else "at rest"

    def _given_up(self, seen: Seen) -> bool:
        if self._moved:
            return self._still_s(seen) >= IDLE_S
        return seen.now_s >= WAIT_S

    def _rest(self, seen: Seen) -> Step:
        assert seen.first_reading_s is not None
        left_s = REST_S - (seen.now_s - seen.first_reading_s)
        if left_s <= 0:
            return Step("done", "Rest check done.")
        state: RunState = "moving" if seen.moving else "at rest"
        return Step(state, "Hands off: checking that the indicator stands still.")

    def _trace(self, seen: Seen) -> Step:
        return Step(self._label(seen), "Recording until stopped.")

    def _turning(self, seen: Seen) -> Step:
        count = seen.count or 0.0
        if self._enough_since_s is not None:
            further = count >= self.asked + FURTHER_TURNS
            if further or seen.moving is False or self._late(seen):
                return Step("done", "Done.")
            return Step("enough", "Enough turns seen: let the hub rest.")
        likely = seen.likely is not None and seen.likely >= self.asked and self._still_s(seen) >= LIKELY_S
        if likely or self._given_up(seen):
            return Step("done", "The hub was not turned any further.")
        state = self._label(seen)
        asked = f"{self.asked:g} turns"
        if state == "waiting":
            return Step(state, f"Turn the hub by hand, evenly and one way: {asked}.")
        if seen.count is None:
            return Step(state, f"Keep turning evenly and one way: {asked} and a little more.")
        if state == "at rest":
            return Step(state, f"Turn on, the same way: {count:.1f} of {asked} seen.")
        return Step(state, f"Keep turning: {count:.1f} of {asked} seen.")

    def _pushing(self, seen: Seen) -> Step:
        count = int(seen.count or 0)
        if self._enough_since_s is not None:
            if self._still_s(seen) > 0 or self._late(seen):
                return Step("done", "Done.")
            return Step("enough", "Enough strokes seen: let go of the hub.")
        if self._given_up(seen):
            return Step("done", "The hub was not pushed or pulled any further.")
        state = self._label(seen)
        strokes = f"{self.asked:g} strokes" if self.asked != 1 else "1 stroke"
        if state == "waiting":
            return Step(state, f"Push in and hold a second, pull out and hold a second: {strokes}.")
        return Step(state, f"Push and hold, pull and hold: {count} of {strokes} seen.")

    def _gauging(self, seen: Seen) -> Step:
        count = int(seen.count or 0)
        if self._enough_since_s is not None:
            if self._still_s(seen) > 0 or self._late(seen):
                return Step("done", "Done.")
            return Step("enough", "Enough places seen: take the gauge out.")
        if self._given_up(seen):
            return Step("done", "The gauge was not moved any further.")
        how = "Rock the gauge twice or more at each place, then hold it half a second"
        seen_so_far = f"{count} places" if isinf(self.asked) else f"{count} of {self.asked:g} places"
        return Step(self._label(seen), f"{how}: {seen_so_far} seen.")

    def _late(self, seen: Seen) -> bool:
        return self._enough_since_s is not None and seen.now_s - self._enough_since_s >= AFTER_ENOUGH_S
