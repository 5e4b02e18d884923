"""What the station says while it works: the same messages in process and over the daemon's door.

Lengths are whole nanometres, times monotonic nanoseconds of the station, unless a name says otherwise.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from analysis.record.keeping import Word
from analysis.record.words import RunKind, Stage, Wheel
from analysis.results import EndplayResult, RestResult, RunoutResult, StrokeOut
from analysis.results_bore import BoreResult
from analysis.results_check import IndicatorCheck
from config.indicators import Unit

LinkState = Literal["connecting", "live", "stale", "lost"]
RunState = Literal["waiting", "at rest", "moving", "enough", "done", "interrupted"]
CheckState = Literal["resting", "setting", "done", "interrupted"]
MeasuredKind = Literal["rest", "endplay", "runout", "bore", "trace"]
Result = Annotated[RunoutResult | EndplayResult | BoreResult | RestResult, Field(discriminator="kind")]


class Message(BaseModel):
    """Frozen, no unknown keys, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Readings(Message):
    """Readings of one indicator since the message before; `flags` by index, for flagged ones only."""

    type: Literal["readings"] = "readings"
    indicator: str
    run: str | None
    t_ns: list[int]
    length_nm: list[int]
    unit: Unit
    flags: dict[int, str] = Field(default_factory=dict)


class IndicatorState(Message):
    """How an indicator stands. `why` says what is wrong and what to do, when something is."""

    type: Literal["indicator"] = "indicator"
    indicator: str
    state: LinkState
    why: str | None = None
    port: str = ""
    identity: str | None = None
    battery: int | None = Field(default=None, description="percent, None as long as it is not told")
    simulated: bool = False
    resolution_nm: int
    readings: int = 0
    unreadable: int = 0
    reconnects: int = 0


class RunProgress(Message):
    """How a run stands, and what the technician does next in one short sentence."""

    type: Literal["run"] = "run"
    run: str
    kind: MeasuredKind
    indicator: str
    state: RunState
    say: str
    seen: float | None = Field(
        default=None, description="turns, strokes or places of a bore, None when not told yet"
    )
    asked: float | None = Field(default=None, description="turns, strokes or places that end the run")
    readings: int = 0
    flagged: int = 0
    gaps: int = 0
    marks: int = 0
    warnings: tuple[str, ...] = ()


class SoFar(Message):
    """What a run has shown so far, for the pictures; told anew, whole, at each look at its readings.

    Of a run-out: the hub's angle `angle_deg` (cumulative) at the instants `t_ns`, from the index mark or
    from the beginning of the first whole turn. Of end play: the strokes, and the play they come to.
    """

    type: Literal["so far"] = "so far"
    run: str
    from_mark: bool = False
    t_ns: tuple[int, ...] = ()
    angle_deg: tuple[float, ...] = ()
    strokes: tuple[StrokeOut, ...] = ()
    play_mm: float | None = None


class RunResult(Message):
    """The final result of a run, as stored."""

    type: Literal["result"] = "result"
    run: str
    result: Result


class RunSaid(Message):
    """Somebody said of a run that it is kept, or thrown away and why."""

    type: Literal["said"] = "said"
    run: str
    word: Word
    reason: str


class CheckProgress(Message):
    """How the check of an indicator goes on, what to do next, and in the end what was found."""

    type: Literal["check"] = "check"
    indicator: str
    state: CheckState
    say: str
    run: str
    set_blocks: int = 0
    asked_blocks: int = 0
    result: IndicatorCheck | None = None


class Trouble(Message):
    """Something that a person must know now: `where`, and one line that says what to do."""

    type: Literal["trouble"] = "trouble"
    where: str
    text: str


class Behind(Message):
    """This listener was too slow: `lost` messages were left out (the record has every reading)."""

    type: Literal["behind"] = "behind"
    lost: int


class Beat(Message):
    """The station is there, though it may have nothing to tell; sent to listeners that ask for it."""

    type: Literal["beat"] = "beat"


AnyMessage = Annotated[
    Readings
    | IndicatorState
    | RunProgress
    | SoFar
    | RunResult
    | RunSaid
    | CheckProgress
    | Trouble
    | Behind
    | Beat,
    Field(discriminator="type"),
]
ANY_MESSAGE: TypeAdapter[AnyMessage] = TypeAdapter(AnyMessage)


class BoreAsked(Message):
    """What is known of a bore and of the setting ring, lengths as typed with their units.

    `ring_first` and `ring_last`: the first or last place measured is the setting ring itself. `size` is the
    nominal one, `bore` its hole class or limits. Temperatures in degrees C.
    """

    setting_ring: Annotated[str, Field(max_length=60)] | None = None
    ring_first: bool = False
    ring_last: bool = False
    size: Annotated[str, Field(max_length=60)] | None = None
    bore: Annotated[str, Field(max_length=60)] | None = None
    directions: Annotated[int, Field(ge=1, le=36)] | None = None
    depths: Annotated[int, Field(ge=1, le=20)] | None = None
    knuckle: Literal["cast iron", "cast steel", "aluminium"] | None = None
    knuckle_temperature: Annotated[float, Field(ge=-30, le=80)] | None = None
    ring_temperature: Annotated[float, Field(ge=-30, le=80)] | None = None
    temperature_within: Annotated[float, Field(ge=0, le=20)] | None = None

    @property
    def places(self) -> int | None:
        """How many places are measured, the setting ring among them; None when that was not said."""
        if self.directions is None or self.depths is None:
            return None
        return self.directions * self.depths + self.ring_first + self.ring_last


class RunRequest(Message):
    """What a run is asked to be.

    `limit` is a length with its unit; without it the station's limit for the kind applies, unless the run
    is `unjudged`. `turns` and `strokes` say when enough was seen, of a bore its directions and depths.
    `indicator` may be left out when there is only one. `nut_torqued`: the hub nut is at the vehicle maker's
    torque, without which end play means nothing; None when nobody said. `second_indicator` is read at the
    same time in a run-out; `second` is what it touches.
    """

    kind: MeasuredKind
    indicator: str | None = None
    turns: Annotated[float, Field(gt=0, le=100)] = 3
    strokes: Annotated[int, Field(gt=0, le=100)] = 3
    limit: Annotated[str, Field(max_length=60)] | None = None
    limit_source: Annotated[str, Field(max_length=200)] | None = None
    job: Annotated[str, Field(max_length=60)] | None = None
    wheel: Wheel | None = None
    stage: Stage | None = None
    studs: Annotated[int, Field(ge=3, le=12)] | None = None
    surface: Literal["face", "radial"] = "face"
    freshly_fitted: bool = False
    unjudged: bool = False
    nut_torqued: bool | None = None
    bore: BoreAsked | None = None
    second_indicator: str | None = None
    second: Annotated[str, Field(pattern=r"^(reference|pilot|face:\d{1,3})$")] | None = None


class Health(Message):
    """The daemon's own figures."""

    version: str
    pid: int
    state: Literal["ok", "not recording"]
    why: str | None
    indicators: dict[str, LinkState]
    active_runs: tuple[str, ...]
    readings_waiting: int
    readings_stored: int
    readings_dropped: int
    slowest_write_ms: float
    listeners: int


__all__ = ["ANY_MESSAGE", "AnyMessage", "RunKind"]
