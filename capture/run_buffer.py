"""The readings of a run so far, ready to be looked at while it goes on."""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from analysis.trace import Trace
from capture.reading import Fault, Reading
from capture.recorder import Row
from capture.warnings import OFF_STEP
from capture.zero_watch import ZeroWatch
from config.clock import NS_PER_S
from config.indicators import Unit
from config.lengths import NM_PER_UM

STILL_STEPS = 2
"""A resting indicator may flicker between neighbouring steps; a wider swing is motion …"""
STILL_NOISE = 6.0
"""… unless its own noise is wide: the range of some hundred readings stays below this many sigma."""
NOISE_READINGS = 200
CHECKED_READINGS = 50
MOST_KEPT = 4_096
_UNIT, _FLAG = itemgetter(2), itemgetter(3)
SIGMA_OF_MEDIAN_DIFFERENCE = 1.05  # 1.4826 / sqrt(2), for normal noise


class RunBuffer:
    """Collects readings in order; a reading in another unit than the run began in is flagged.

    Args:
        started_t_ns: monotonic clock at the start of the run.
        resolution_nm: the indicator's step.
        keeps_all: False for a run that nobody looks at while it goes on: only its latest readings are
            kept, so that it may go on for days.
        zero: watches for a zero that is changed; None where leaps belong to the measurement.
        whole_steps: a reading that is no whole number of steps is flagged: of an indicator that does not
            say its unit it is in another one.
    """

    def __init__(
        self,
        started_t_ns: int,
        resolution_nm: int,
        *,
        keeps_all: bool = True,
        zero: ZeroWatch | None = None,
        whole_steps: bool = False,
    ) -> None:
        self.started_t_ns = started_t_ns
        self.resolution_nm = resolution_nm
        self.unit: Unit | None = None
        self.other_unit: Unit | None = None  # the first in which the run did not begin
        self.zero = zero
        self._whole_nm = resolution_nm if whole_steps else 1
        self.flagged = 0
        self.first_t_ns: int | None = None
        self._keeps_all = keeps_all
        self._forgotten = 0
        self._seq = 0
        self._t_ns = array("q")
        self._nm = array("q")
        self._flags: dict[int, str] = {}
        self._marks_ns: list[int] = []

    def __len__(self) -> int:
        return self._forgotten + len(self._t_ns)

    @property
    def last_t_ns(self) -> int | None:
        """When the last reading came."""
        return self._t_ns[-1] if self._t_ns else None

    @property
    def marks(self) -> int:
        """Index marks so far."""
        return len(self._marks_ns)

    def add(self, readings: list[Reading]) -> list[Row]:
        """Take readings in; returns them as rows for the record."""
        if self.unit is None:
            self.unit = readings[0].unit
            self.first_t_ns = readings[0].t_ns
        rows = self._as_they_are(readings) or self._looked_at(readings)
        self._t_ns.extend([row[1] for row in rows])
        self._nm.extend([reading.length_nm for reading in readings])
        self._seq += len(rows)
        if not self._keeps_all and len(self._t_ns) >= MOST_KEPT:
            self._forget()
        return rows

    def _as_they_are(self, readings: list[Reading]) -> list[Row] | None:
        """Rows of readings of which none can need a flag; None when each has to be looked at."""
        if self.zero is not None or self._whole_nm > 1:
            return None
        if not {self.unit}.issuperset(map(_UNIT, readings)) or not {None}.issuperset(map(_FLAG, readings)):
            return None
        return [(number, each[0], each[1], None, each[4]) for number, each in enumerate(readings, self._seq)]

    def _looked_at(self, readings: list[Reading]) -> list[Row]:
        unit, seq = self.unit, self._seq
        assert unit is not None
        rows: list[Row] = []
        for number, (t_ns, length_nm, said, flag, raw) in enumerate(readings, start=seq):
            if said != unit and flag is None:
                flag = f"written in {said}, the run began in {unit}"
            if flag is None and length_nm % self._whole_nm:
                flag = OFF_STEP
            if flag is None and self.zero is not None:
                flag = self.zero.flag(t_ns, length_nm, unit)
            if flag is not None:
                self.flagged += 1
                if self._keeps_all:
                    self._flags[len(self._t_ns) + number - seq] = flag
            if said != unit and self.other_unit is None:
                self.other_unit = said
            rows.append((number, t_ns, length_nm, flag, raw))
        return rows

    def _forget(self) -> None:
        gone = len(self._t_ns) - MOST_KEPT // 2
        self._forgotten += gone
        self._t_ns, self._nm = self._t_ns[gone:], self._nm[gone:]

    def add_faults(self, faults: Iterable[Fault]) -> list[Row]:
        """Rows for what was no reading: kept with its bytes, without a value."""
        rows: list[Row] = []
        for fault in faults:
            rows.append((self._seq, fault.t_ns, None, fault.text, fault.raw))
            self._seq += 1
        return rows

    def add_mark(self, t_ns: int) -> None:
        """The index mark passed at `t_ns`."""
        self._marks_ns.append(t_ns)

    def trace(self) -> Trace:
        """The readings so far as a trace; a mark belongs to the reading nearest in time.

        Of a buffer that keeps them all.
        """
        t_ns, nm = self._arrays()
        time_s = (t_ns - self.started_t_ns) / float(NS_PER_S)
        mark = None
        if self._marks_ns and len(self):
            mark = np.zeros(t_ns.size, dtype=np.bool_)
            for mark_ns in self._marks_ns:
                mark[np.abs(t_ns - mark_ns).argmin()] = True
        flag = None
        if self._flags:
            flag = np.array([self._flags.get(i, "") for i in range(t_ns.size)], dtype=np.str_)
        return Trace(
            time_s=time_s,
            reading_um=nm / float(NM_PER_UM),
            mark=mark,
            flag=flag,
            resolution_um=self.resolution_nm / NM_PER_UM,
            unit=self.unit or "mm",
        )

    def moving(self, window_s: float) -> bool | None:
        """Whether the plunger moved within the last `window_s`; None when too few readings tell."""
        if len(self) < 2:
            return None
        t_ns, nm = self._tail(NOISE_READINGS)
        steps_nm = np.sort(np.abs(nm[1:] - nm[:-1]))  # for so few far quicker than a median by selection
        noise_nm = SIGMA_OF_MEDIAN_DIFFERENCE * float(steps_nm[steps_nm.size // 2])
        since_ns = int(t_ns[-1] - window_s * NS_PER_S)
        first = int(np.searchsorted(np.frombuffer(self._t_ns, dtype=np.int64), since_ns))
        window = np.frombuffer(self._nm, dtype=np.int64)[first:].copy()
        return bool(np.ptp(window) > max(STILL_STEPS * self.resolution_nm, STILL_NOISE * noise_nm))

    def last_lengths_nm(self) -> list[int]:
        """Some of the last readings, newest last; flagged ones among them."""
        return self._nm[-CHECKED_READINGS:].tolist()

    def _arrays(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        # Copies: a view would keep the arrays from growing.
        return np.array(self._t_ns, dtype=np.int64), np.array(self._nm, dtype=np.int64)

    def _tail(self, count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        return np.array(self._t_ns[-count:], dtype=np.int64), np.array(self._nm[-count:], dtype=np.int64)
