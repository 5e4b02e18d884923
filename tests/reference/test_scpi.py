"""Answers to ``*IDN?`` and numbers as the standards have them.

Source: IEEE 488.2-1992, 10.14 (*IDN?) and SCPI-1999; the four fields and the mandatory common commands were
confirmed in public libraries that quote the standards, terminators, numeric forms and the 72 characters are
from memory (see the statuses in ``scpi.json``).
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from capture.decoding import decoder_for
from capture.decoding.identity import LONGEST, NOT_KNOWN, Identity, parse_identity
from capture.learning.listening import ENDS, IDENTIFY
from config.indicators import PolledFormat, load_indicators
from simulators.wire import IDENTITY

PUBLISHED = json.loads((Path(__file__).parent / "scpi.json").read_text(encoding="utf-8"))


def test_the_fields_and_the_question_are_those_of_the_standard() -> None:
    published = PUBLISHED["idn"]
    assert len(published["fields"]) == len(Identity._fields) == 4
    assert [field.split()[0] for field in published["fields"]] == [
        name.split("_")[0] for name in Identity._fields
    ]
    assert published["max_length"] == LONGEST
    assert published["unavailable_serial_or_firmware"] == f"ASCII {NOT_KNOWN}"
    assert IDENTIFY in PUBLISHED["mandatory_common_commands"]


@pytest.mark.parametrize(
    ("answer", "found"),
    [
        ("INVENTED,GAUGE 1,77,1.0\n", Identity("INVENTED", "GAUGE 1", "77", "1.0")),
        ("INVENTED,GAUGE 1,0,0", Identity("INVENTED", "GAUGE 1", "", "")),
        ("INVENTED, GAUGE 1 , 77 ,1.0\r\n", Identity("INVENTED", "GAUGE 1", "77", "1.0")),
        ("INVENTED,GAUGE 1,77", None),
        ("+1.234E+00", None),
        (",,0,0", None),
        ("INVENTED,GAUGE,7,7,7", None),
        ("A" * 60 + ",GAUGE 1,77,1.0", None),
    ],
)
def test_answers(answer: str, found: Identity | None) -> None:
    assert parse_identity(answer) == found


def test_the_simulated_indicator_answers_as_the_standard_says() -> None:
    told = parse_identity(IDENTITY)
    assert told is not None
    assert told.firmware == "1.0"


def test_the_numeric_forms_are_read_by_the_shipped_polled_format() -> None:
    """NR1, NR2 and NR3 of the standard, ended by NL, read as mm."""
    form = next(each.format for each in load_indicators() if isinstance(each.format, PolledFormat))
    decoder = decoder_for(form)
    numbers = PUBLISHED["numeric_NR"]
    sent = "".join(f"{numbers[kind]}\n" for kind in ("NR1", "NR2", "NR3")).encode()
    lengths = [reading.length_nm for reading in decoder.feed(sent, 0).readings]
    assert lengths == [123_000_000, 12_300_000, 12_300_000]
    assert ENDS[0] == "\n"
