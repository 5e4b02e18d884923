"""What is asked and told of checking an indicator, and the card that shows how it stands.

Lengths typed by people are text with a unit; those of readings are whole nanometres.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated

from pydantic import Field

from analysis.results_check import IndicatorCheck
from capture.messages import LinkState, Message
from config.indicators import Unit

Block = Annotated[str, Field(max_length=40)]


class CheckRequest(Message):
    """How an indicator is to be checked.

    Without `blocks` it is only watched. With them the first stands under the plunger from the beginning,
    and the others are set in turn, then back `down` to the first. With `travel` the plunger is first moved
    from one end to the other.
    """

    rest_s: Annotated[float, Field(ge=2, le=300)] = 5
    blocks: Annotated[tuple[Block, ...], Field(max_length=20)] = ()
    down: bool = True
    travel: bool = False
    block_error: Block | None = None


class LastReading(Message):
    """The newest reading: how old it is, and whether anything spoke against it."""

    length_nm: int
    unit: Unit
    flag: str | None
    age_s: float


class LastCheck(Message):
    """The latest check in the record."""

    id: str
    made_utc: datetime
    run: str | None
    check: IndicatorCheck


class IndicatorCard(Message):
    """An indicator as described, how it stands, and its last check. Lengths in nm."""

    indicator: str
    state: LinkState
    why: str | None
    link: str
    port: str
    identity: str | None
    battery: int | None
    simulated: bool
    serial_number: str
    resolution_nm: int
    permissible_error_nm: int
    range_nm: int
    calibrated: date | None
    calibration_due: date | None
    calibration_overdue: bool
    readings: int
    unreadable: int
    reconnects: int
    last_reading: LastReading | None
    last_check: LastCheck | None
