"""The digital indicator: steps, errors within what is permitted, and how often it speaks.

A plunger pushed in reads positive. Movement in micrometres, what is shown in whole nanometres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from config.indicators import Indicator
from simulators.faults import Fault, Gap, HoldKey, LowBattery, Rezero, Spikes, Stuck, UnitSwitch

FloatArray = NDArray[np.floating[Any]]
NmArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Status = Literal["", "hold", "battery", "preset"]
STATUSES: tuple[Status, ...] = ("", "hold", "battery", "preset")

DRAWN_AHEAD = 256


@dataclass(frozen=True, slots=True)
class ErrorCurve:
    """Deviation of the shown value along the plunger's travel: a few long waves, within a bound."""

    amplitudes_um: tuple[float, ...] = ()
    periods_um: tuple[float, ...] = ()
    phases: tuple[float, ...] = ()

    def deviation_um(self, position_um: FloatArray) -> FloatArray:
        """What the indicator shows too much at each position, same shape."""
        total = np.zeros(np.shape(position_um))
        for amplitude, period, phase in zip(self.amplitudes_um, self.periods_um, self.phases, strict=True):
            total += amplitude * np.sin(2.0 * np.pi * position_um / period + phase)
        return total


def error_curve(rng: np.random.Generator, largest_um: float, range_um: float) -> ErrorCurve:
    """A smooth random curve whose largest deviation is 40 to 90 % of `largest_um`.

    The waves are a fraction of the range long, so that over the tenth of a millimetre that a hub moves
    the error changes by far less than its bound, as with a scale of good quality.
    """
    if largest_um <= 0.0:
        return ErrorCurve()
    periods = range_um * rng.uniform(0.4, 2.0, size=5)
    phases = rng.uniform(0.0, 2.0 * np.pi, size=5)
    amplitudes = rng.uniform(0.3, 1.0, size=5) * periods / range_um
    raw = ErrorCurve(tuple(amplitudes.tolist()), tuple(periods.tolist()), tuple(phases.tolist()))
    top = float(np.max(np.abs(raw.deviation_um(np.linspace(0.0, range_um, 500)))))
    scale = float(rng.uniform(0.4, 0.9)) * largest_um / top
    return replace(raw, amplitudes_um=tuple((amplitudes * scale).tolist()))


@dataclass(frozen=True, slots=True)
class Gauge:
    """One indicator as it really is.

    Attributes:
        step_nm: resolution in millimetre mode.
        inch_step_nm: resolution in inch mode.
        rate_hz: readings a second.
        jitter: how unevenly they come, as a share of the interval (uniform, either way).
        noise_um: standard deviation of one reading before it is rounded to a step.
        error: its error curve.
        hysteresis_um: what it shows more on the way in than on the way out.
        plunger_angle_deg: between the plunger and the movement; the plunger travels d / cos.
        range_um: its range; beyond either end it shows the end.
        stands_at_um: where in its range the plunger was when it was zeroed.
        starts_in: the unit it starts in.
    """

    step_nm: int = 1_000
    inch_step_nm: int = 1_270
    rate_hz: float = 50.0
    jitter: float = 0.08
    noise_um: float = 0.25
    error: ErrorCurve = field(default_factory=ErrorCurve)
    hysteresis_um: float = 0.0
    plunger_angle_deg: float = 0.0
    range_um: float = 12_700.0
    stands_at_um: float = 6_350.0
    starts_in: Literal["mm", "in"] = "mm"


def gauge_of(indicator: Indicator, rng: np.random.Generator, like: Gauge | None = None) -> Gauge:
    """A gauge as good as the description says, with everything else as in `like`."""
    like = like or Gauge()
    range_um = indicator.range_nm / 1000.0
    inch = indicator.resolution_nm % 254 == 0
    return replace(
        like,
        step_nm=indicator.resolution_nm,
        inch_step_nm=indicator.resolution_nm if inch else like.inch_step_nm,
        rate_hz=indicator.rate_hz or like.rate_hz,
        error=error_curve(rng, indicator.permissible_error_nm / 1000.0, range_um),
        range_um=range_um,
        stands_at_um=range_um / 2.0,
        starts_in="in" if inch else "mm",
    )


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings in the order in which they were taken; all arrays (n,).

    Attributes:
        time_s: seconds of the bench.
        length_nm: the shown value, a whole number of the unit's steps.
        inch: true where it is shown in inches.
        status: index into `STATUSES`.
    """

    time_s: FloatArray
    length_nm: NmArray
    inch: BoolArray
    status: NDArray[np.int8]

    def __len__(self) -> int:
        return int(self.time_s.size)


class Reader:
    """Takes the gauge's readings, one block after another, and remembers what a gauge remembers.

    The readings depend only on the seed and the movement, not on how the time is cut into blocks.
    """

    def __init__(self, gauge: Gauge, rng: np.random.Generator, faults: tuple[Fault, ...] = ()) -> None:
        self.gauge = gauge
        self.faults: list[Fault] = list(faults)
        self._jitter_rng, self._noise_rng, self._spike_rng = rng.spawn(3)
        self._count = 0
        self._drawn_s = np.empty(0)
        self._zero_um = 0.0
        self._last_raw_um = 0.0
        self._lag_um: float | None = None
        self._last_shown_nm = 0
        self._frozen_nm: dict[Fault, int] = {}

    def instants_s(self, until_s: float) -> FloatArray:
        """The instants of the readings not yet taken, up to and including `until_s`."""
        interval_s = 1.0 / self.gauge.rate_hz
        while not self._drawn_s.size or self._drawn_s[-1] <= until_s:
            numbers = self._count + np.arange(DRAWN_AHEAD)
            off = self._jitter_rng.uniform(-1.0, 1.0, size=DRAWN_AHEAD) * min(self.gauge.jitter, 0.45)
            self._drawn_s = np.concatenate([self._drawn_s, (numbers + 0.5 + off) * interval_s])
            self._count += DRAWN_AHEAD
        due = int(np.searchsorted(self._drawn_s, until_s, side="right"))
        taken, self._drawn_s = self._drawn_s[:due], self._drawn_s[due:]
        for fault in self.faults:
            if isinstance(fault, Gap):
                taken = taken[(taken < fault.at_s) | (taken >= fault.until_s)]
        return taken

    def next_s(self) -> float:
        """The instant of the next reading not yet taken."""
        if not self._drawn_s.size:
            self.instants_s(-math.inf)
        return float(self._drawn_s[0])

    def read(self, time_s: FloatArray, movement_um: FloatArray) -> Readings:
        """The shown values while the surface under the plunger moves.

        Args:
            time_s: (n,) instants from `instants_s`.
            movement_um: (n,) the surface's movement towards the plunger since the start.
        """
        if not time_s.size:
            nothing = np.empty(0)
            return Readings(
                nothing, nothing.astype(np.int64), nothing.astype(np.bool_), nothing.astype(np.int8)
            )
        raw_um = self._plunger_um(self._with_spikes(movement_um))
        zeroed_um = self._zeroed_um(time_s, raw_um)
        inch = self._in_inches(time_s)
        step_nm = np.where(inch, self.gauge.inch_step_nm, self.gauge.step_nm)
        shown_nm = np.rint(zeroed_um * 1000.0 / step_nm).astype(np.int64) * step_nm
        shown_nm = self._frozen(time_s, shown_nm)
        self._last_raw_um, self._last_shown_nm = float(raw_um[-1]), int(shown_nm[-1])
        return Readings(time_s, shown_nm, inch, self._status(time_s))

    def _with_spikes(self, movement_um: FloatArray) -> FloatArray:
        for fault in self.faults:
            if isinstance(fault, Spikes):
                size = movement_um.size
                thrown = self._spike_rng.random((size, 3))  # one row a reading, whatever the block
                height = fault.from_um + (fault.to_um - fault.from_um) * thrown[:, 1]
                height *= np.where(thrown[:, 2] < fault.upwards, 1.0, -1.0)
                movement_um = movement_um + np.where(thrown[:, 0] < fault.share, height, 0.0)
        return movement_um

    def _plunger_um(self, movement_um: FloatArray) -> FloatArray:
        """What the scale sees from where the plunger was zeroed: cosine, range ends, lag, error, noise."""
        gauge = self.gauge
        position = gauge.stands_at_um + movement_um / math.cos(math.radians(gauge.plunger_angle_deg))
        position = np.clip(position, 0.0, gauge.range_um)
        if gauge.hysteresis_um > 0.0:
            position = self._lagging(position, gauge.hysteresis_um / 2.0)
        if gauge.error.amplitudes_um:
            here = gauge.error.deviation_um(np.array([gauge.stands_at_um]))[0]
            position = position + gauge.error.deviation_um(position) - here
        noise = self._noise_rng.normal(size=position.size) * gauge.noise_um
        return np.asarray(position - gauge.stands_at_um + noise)

    def _lagging(self, position_um: FloatArray, half_um: float) -> FloatArray:
        lag = self._lag_um if self._lag_um is not None else float(position_um[0])
        out: list[float] = []
        for value in position_um.tolist():
            lag = max(value - half_um, min(value + half_um, lag))
            out.append(lag)
        self._lag_um = lag
        return np.array(out)

    def _zeroed_um(self, time_s: FloatArray, raw_um: FloatArray) -> FloatArray:
        shown = raw_um - self._zero_um
        for fault in sorted((f for f in self.faults if isinstance(f, Rezero)), key=lambda f: f.at_s):
            at = int(np.searchsorted(time_s, fault.at_s))
            if at < time_s.size and fault not in self._frozen_nm:
                before = raw_um[at - 1] if at else self._last_raw_um
                self._zero_um = float(before) - fault.preset_um
                shown[at:] = raw_um[at:] - self._zero_um
                self._frozen_nm[fault] = 0  # pressed once
        return shown

    def _in_inches(self, time_s: FloatArray) -> BoolArray:
        inch = np.full(time_s.size, self.gauge.starts_in == "in")
        for fault in sorted((f for f in self.faults if isinstance(f, UnitSwitch)), key=lambda f: f.at_s):
            inch[time_s >= fault.at_s] = fault.to == "in"
        return inch

    def _frozen(self, time_s: FloatArray, shown_nm: NmArray) -> NmArray:
        for fault in self.faults:
            if isinstance(fault, HoldKey | Stuck):
                inside = (time_s >= fault.at_s) & (time_s < fault.until_s)
                if inside.any():
                    first = int(np.argmax(inside))
                    before = int(shown_nm[first - 1]) if first else self._last_shown_nm
                    shown_nm[inside] = self._frozen_nm.setdefault(fault, before)
        return shown_nm

    def _status(self, time_s: FloatArray) -> NDArray[np.int8]:
        status = np.zeros(time_s.size, dtype=np.int8)
        for fault in self.faults:
            if isinstance(fault, HoldKey | LowBattery):
                inside = (time_s >= fault.at_s) & (time_s < fault.until_s)
                status[inside] = STATUSES.index("hold" if isinstance(fault, HoldKey) else "battery")
        return status
