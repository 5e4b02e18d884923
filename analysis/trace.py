"""The trace: the readings of one run as arrays, before anything is judged about them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Readings of one run, in the order in which they came. All arrays have the same length `n`.

    Attributes:
        time_s: (n,) seconds from the run's start, never decreasing.
        reading_um: (n,) micrometres, plunger pushed in positive; NaN never.
        mark: (n,) true where the index mark passed; None when no mark was ever given.
        angle_deg: (n,) hub angle where known, growing in the direction of turning, not wrapped; or None.
        flag: (n,) empty text, or why the reading was rejected at capture; None when none was.
        reading2_um: (n,) a second indicator in the same row, NaN where it gave none; or None.
        resolution_um: the indicator's step; None when unknown (then it is found from the readings).
        unit: the unit the readings were written in ("mm", "um" or "in"), kept for what is shown.
    """

    time_s: FloatArray
    reading_um: FloatArray
    mark: BoolArray | None = None
    angle_deg: FloatArray | None = None
    flag: NDArray[np.str_] | None = None
    reading2_um: FloatArray | None = None
    resolution_um: float | None = None
    unit: str = "mm"

    def __len__(self) -> int:
        return int(self.time_s.size)

    @property
    def mark_s(self) -> FloatArray:
        """Times at which the index mark passed, seconds from the run's start."""
        return self.time_s[self.mark] if self.mark is not None else np.empty(0)

    def where(self, keep: BoolArray | slice) -> Trace:
        """The part of the trace that `keep` picks, marks of dropped readings included in the loss."""
        return replace(
            self,
            time_s=self.time_s[keep],
            reading_um=self.reading_um[keep],
            mark=None if self.mark is None else self.mark[keep],
            angle_deg=None if self.angle_deg is None else self.angle_deg[keep],
            flag=None if self.flag is None else self.flag[keep],
            reading2_um=None if self.reading2_um is None else self.reading2_um[keep],
        )
