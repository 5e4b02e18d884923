"""The record: every reading, mark, event and result, on the disk, for good."""

from analysis.record.ids import uuid7
from analysis.record.queries import Event, RunRecord, RunRef, RunSummary
from analysis.record.store import Reading, Store
from analysis.record.verify import Difference, Verified
from analysis.record.words import (
    EndState,
    RunKind,
    RunState,
    Stage,
    Wheel,
    parse_stage,
    parse_wheel,
)

__all__ = [
    "Difference",
    "EndState",
    "Event",
    "Reading",
    "RunKind",
    "RunRecord",
    "RunRef",
    "RunState",
    "RunSummary",
    "Stage",
    "Store",
    "Verified",
    "Wheel",
    "parse_stage",
    "parse_wheel",
    "uuid7",
]
