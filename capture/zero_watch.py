"""Sees in the readings themselves that the zero was changed: zero key, preset, or the sign reversed. Pure.

No status tells it on most indicators. A surface does not leap between two readings onto exactly 0, onto a
whole millimetre, or onto its own mirror image; a key does. From there on readings belong to another zero:
they are kept apart, never mixed with those before.
"""

from __future__ import annotations

from collections import deque

LEAST_STEPS, LEAST_STEPS_TO_ZERO = 20, 6
"""A leap of less could be the surface's own; onto exactly 0 it seldom is (our choice)."""
LEAP_RATIO, LEAP_RATIO_TO_ZERO = 6.0, 3.0
"""A leap is so many times the largest change between neighbours just before it."""
NEIGHBOURS = 100
GAP_NS = 300_000_000
BACK_WITHIN = 6
"""A leap that comes back within so many readings was dirt or a bump under the plunger, no key."""

ZEROED, PRESET, REVERSED = "zeroed", "preset", "sign_reversed"
TEXTS = {
    ZEROED: "the zero key was pressed while the run went on",
    PRESET: "a preset was recalled while the run went on",
    REVERSED: "the sign was reversed while the run went on",
}
RESET_UNITS_NM = {"mm": 1_000_000, "um": 1_000_000, "in": 2_540_000}
"""A preset is a round value: a whole millimetre, or a tenth of an inch (common practice, no source)."""


class ZeroWatch:
    """Follows the readings of one run.

    Args:
        resolution_nm: the indicator's step.
        least_nm: leaps of less are never suspected; hands that push and pull make leaps of their own.
    """

    def __init__(self, resolution_nm: int, least_nm: int = 0) -> None:
        self._step_nm = resolution_nm
        self._least_nm = max(least_nm, LEAST_STEPS * resolution_nm)
        self._least_to_zero_nm = max(least_nm, LEAST_STEPS_TO_ZERO * resolution_nm)
        self._changes: deque[int] = deque(maxlen=NEIGHBOURS)
        self._last_nm: int | None = None
        self._last_ns = 0
        self._before_nm = 0
        self._code: str | None = None
        self._apart = 0
        self.confirmed: str | None = None

    def flag(self, t_ns: int, length_nm: int, unit: str = "mm") -> str | None:
        """Why a reading does not belong to the zero before it, or None; readings in order."""
        last = self._last_nm
        gap_ns, self._last_ns = t_ns - self._last_ns, t_ns
        self._last_nm = length_nm
        if last is None or (gap_ns > GAP_NS and self._code is None):
            return None  # over a gap the surface may have gone anywhere
        if self._code is not None:
            return self._while_apart(length_nm)
        change = length_nm - last
        largest = max(self._changes, default=0)
        self._changes.append(abs(change))
        if abs(length_nm) <= self._step_nm:
            if abs(change) < max(self._least_to_zero_nm, LEAP_RATIO_TO_ZERO * largest):
                return None
            self._code = ZEROED
        elif abs(change) >= max(self._least_nm, LEAP_RATIO * largest):
            self._code = self._meant(last, length_nm, unit)
        if self._code is None:
            return None
        self._before_nm, self._apart = last, 1
        return TEXTS[self._code]

    def _while_apart(self, length_nm: int) -> str | None:
        assert self._code is not None
        if self.confirmed is None:
            gone = abs(self._before_nm - length_nm)
            if gone < self._least_to_zero_nm / 2:
                self._code = None  # back where it was: a bump, which the analysis knows by itself
                return None
            self._apart += 1
            if self._apart > BACK_WITHIN:
                self.confirmed = self._code
        return TEXTS[self._code]

    def _meant(self, before_nm: int, after_nm: int, unit: str) -> str | None:
        """What a leap from one value onto another but 0 stands for; None for one that no key makes."""
        step = self._step_nm
        if abs(after_nm + before_nm) <= 2 * step:
            return REVERSED
        whole = RESET_UNITS_NM.get(unit, 1_000_000)
        off = abs(after_nm) % whole
        return PRESET if min(off, whole - off) <= step else None
