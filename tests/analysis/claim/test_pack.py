"""What a pack holds: open forms, the same bytes, no private matter, hostile text kept harmless."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import struct
import subprocess
import sys
import zipfile
import zlib
from dataclasses import replace
from datetime import datetime
from functools import cache
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from analysis.claim.bag import Files
from analysis.claim.pack import Pack, make_pack, read_pack
from analysis.claim.photos import strip_photo
from analysis.claim.report import report_data
from analysis.claim.signature import SigningKey
from analysis.claim.values import ClaimInput, ClaimRun, Form, Photo, Step, WheelFacts
from analysis.claim.verify import verify_pack
from analysis.claim.wording import Wording
from analysis.claim.worked import Shown, shown, tables_of
from analysis.claim.working import work_out
from config.errors import InputError

HOSTILE = (
    '=HYPERLINK("http://x";"y") #pagebreak() $x$ <script>alert(\'1\')</script> \u202eRTL\u2066 \U0001f600 漢 '
    "{decimal} %s `code` @ref //c \\ \"'\n\r\n\tend\u0007"
)


def files_of(pack: Pack) -> Files:
    with zipfile.ZipFile(io.BytesIO(pack.content)) as archive:
        return {entry.filename.partition("/")[2]: archive.read(entry) for entry in archive.infolist()}


@cache
def drawn_run(run: ClaimRun) -> Shown:
    return shown(tables_of(work_out(run), "run"), "run")


def drawn_of(claim: ClaimInput) -> list[Shown]:
    return [drawn_run(run) for run in claim.runs]


def test_the_same_claim_gives_the_same_bytes_in_another_process(
    claim: ClaimInput, pack: Pack, key: SigningKey
) -> None:
    assert make_pack(claim, key) == pack
    script = (
        "import typst, sys; sys.stdout.buffer.write(typst.compile({'main': b'#set document(date: auto)\\nA'},"
        "ignore_system_fonts=True, pdf_standards=['a-2b'], timestamp=1000))"
    )
    outputs = {
        subprocess.run(
            [sys.executable, "-c", script],
            env={**os.environ, "TZ": zone, "HOME": home, "LC_ALL": "C"},
            capture_output=True,
            check=True,
        ).stdout
        for zone, home in (("UTC", "/"), ("Asia/Tokyo", "/tmp"))
    }
    assert len(outputs) == 1


def test_every_json_file_validates_against_the_schema_beside_it(pack: Pack) -> None:
    files = files_of(pack)
    pairs = {"data/job.json": "job", "data/limits.json": "limits", "data/instruments.json": "instruments"}
    for path in files:
        if path.startswith("data/results/"):
            pairs[path] = json.loads(files[path])["kind"]
    assert len(pairs) == 7
    for path, name in pairs.items():
        schema = json.loads(files[f"data/schemas/{name}.schema.json"])
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.validate(json.loads(files[path]), schema, jsonschema.Draft202012Validator)


# UCUM essence 2.2 (tests/reference/ucum_units.csv: atoms confirmed there); s, K, Pa and the prefix M are from
# memory of the same list. A code is made of atoms, '.', '/' and whole exponents (UCUM, section 2).
UCUM = Path(__file__).parents[2] / "reference" / "ucum_units.csv"
FROM_MEMORY = {"s", "K", "MPa", "min", "1"}


def test_units_are_ucum_codes_of_the_published_list(pack: Pack) -> None:
    rows = csv.DictReader(line for line in UCUM.read_text("utf-8").splitlines() if not line.startswith("#"))
    atoms = {row["ucum_code"] for row in rows} | FROM_MEMORY
    files = files_of(pack)
    codes = set(json.loads(files["data/job.json"])["units"].values())
    described = json.loads(files["data/datapackage.json"])
    fields = [field for table in described["resources"] for field in table["schema"]["fields"]]
    in_tables = {field["unit"] for field in fields if "unit" in field}
    assert {"s", "mm", "deg"} <= in_tables <= codes
    for code in codes:
        terms = [re.sub(r"-?\d+$", "", term) or term for term in re.split(r"[./]", code)]
        assert set(terms) <= atoms, code


def test_tables_are_described_as_they_are(pack: Pack) -> None:
    files = files_of(pack)
    described = json.loads(files["data/datapackage.json"])["resources"]
    assert {f"data/{table['path']}" for table in described} == {
        path for path in files if path.endswith(".csv")
    }
    for table in described:
        lines = [
            line for line in files[f"data/{table['path']}"].decode().splitlines() if not line.startswith("#")
        ]
        assert lines[0].split(",") == [field["name"] for field in table["schema"]["fields"]]
        assert table["bytes"] == len(files[f"data/{table['path']}"])


def test_times_are_rfc3339_utc(pack: Pack) -> None:
    job = json.loads(files_of(pack)["data/job.json"])
    times = [job["job"]["opened_utc"], job["job"]["closed_utc"], *(run["started_utc"] for run in job["runs"])]
    for text in times:
        assert text.endswith("Z")
        assert datetime.fromisoformat(text).utcoffset() is not None


def test_traces_come_back_bit_for_bit(pack: Pack, claim: ClaimInput) -> None:
    back, _ = read_pack(files_of(pack))
    for one, other in zip(claim.runs, back.runs, strict=True):
        np.testing.assert_array_equal(one.trace.time_s, other.trace.time_s)
        np.testing.assert_array_equal(one.trace.reading_um, other.trace.reading_um)
        assert one.header == other.header
        assert one.limit == other.limit
        assert one.result == other.result.model_copy(update={"file": None})


# Privacy ------------------------------------------------------------------------------------------


def everything(pack: Pack, claim: ClaimInput) -> str:
    data, _ = report_data(claim, drawn_of(claim), "SHA256:x")
    return json.dumps(data) + "".join(content.decode("latin-1") for content in files_of(pack).values())


def test_customer_and_plate_leave_only_when_asked_for(
    claim: ClaimInput, small_pack: Pack, key: SigningKey
) -> None:
    claim = replace(claim, runs=claim.runs[:1])
    back, _ = read_pack(files_of(small_pack))
    assert back.job.customer is None
    assert back.job.vehicle.plate is None
    assert "Customer Somebody" not in everything(small_pack, back)
    assert "PLATE-77" not in everything(small_pack, back)
    asked = make_pack(claim, key, with_customer=True)
    told, _ = read_pack(files_of(asked))
    assert "Customer Somebody" in everything(asked, told)
    assert "PLATE-77" in everything(asked, told)


def jpeg(orientation: int) -> bytes:
    """The segments of a JPEG with Exif (orientation, place), XMP, a comment and an ICC name; no picture."""
    tiff = b"II*\0\x08\0\0\0" + struct.pack("<HHHIHHI", 1, 0x0112, 3, 1, orientation, 0, 0) + b"GPS-SECRET"
    segments = [
        b"\xff\xe0" + struct.pack(">H", 16) + b"JFIF\0\x01\x02\0\0\x01\0\x01\0\0",
        *(
            bytes([0xFF, code]) + struct.pack(">H", len(body) + 2) + body
            for code, body in ((0xE1, b"Exif\0\0" + tiff), (0xE1, b"http://xmp SECRET"), (0xFE, b"SECRET"))
        ),
        b"\xff\xdb" + struct.pack(">H", 67) + bytes(65),
        b"\xff\xda" + struct.pack(">H", 8) + bytes(6) + b"scan\xff\x00data\xff\xd0more",
    ]
    return b"\xff\xd8" + b"".join(segments) + b"\xff\xd9SECRET TRAILER"


def png() -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    parts = [chunk(b"IHDR", header), chunk(b"tEXt", b"SECRET"), chunk(b"eXIf", b"SECRET")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        [*parts, chunk(b"IDAT", zlib.compress(b"\0\0")), chunk(b"IEND", b"")]
    )


@pytest.mark.parametrize("content", [jpeg(1), jpeg(6), png()])
def test_photos_lose_their_metadata(content: bytes) -> None:
    stripped, _ = strip_photo(content)
    assert b"SECRET" not in stripped
    assert b"scan\xff\x00data\xff\xd0more" in stripped or b"IDAT" in stripped
    assert strip_photo(stripped)[0] == stripped


def test_a_photo_keeps_which_way_is_up_and_nothing_else() -> None:
    assert b"Exif" not in strip_photo(jpeg(1))[0]
    assert struct.pack(">HHIHH", 0x0112, 3, 1, 6, 0) in strip_photo(jpeg(6))[0]


def test_no_cut_off_photo_gets_through() -> None:
    for content in (jpeg(6), png()):
        whole = (
            content[: content.index(b"\xff\xd9SECRET") + 2] if content.startswith(b"\xff\xd8") else content
        )
        for length in range(len(whole)):
            with pytest.raises(InputError):
                strip_photo(whole[:length])


def test_a_photo_is_handed_over_and_listed(claim: ClaimInput, key: SigningKey, tmp_path: Path) -> None:
    with_photo = replace(
        claim, runs=claim.runs[:1], photos=(Photo(claim.job.opened_utc, "race groove", jpeg(6)),)
    )
    pack = make_pack(with_photo, key)
    assert b"SECRET" not in files_of(pack)["data/photos/01.jpg"]
    (tmp_path / "pack.zip").write_bytes(pack.content)
    assert verify_pack(tmp_path / "pack.zip").good


def test_a_photo_whose_metadata_cannot_be_taken_off_stays_here(claim: ClaimInput, key: SigningKey) -> None:
    torn = Photo(None, "torn", jpeg(1)[:60])
    pack = make_pack(replace(claim, runs=claim.runs[:1], photos=(torn, Photo(None, "whole", png()))), key)
    assert len(pack.warnings) == 1
    assert "photo 1 (torn)" in pack.warnings[0]
    assert [path for path in files_of(pack) if "photos" in path] == ["data/photos/01.png"]


# Hostile text, languages, paper -------------------------------------------------------------------


HEADER_TEXTS = ("technician", "note", "thrown_away")
WHEEL_TEXTS = ("bearing", "encoder", "old_part", "old_lot", "new_part", "new_lot", "source")


def hostile(claim: ClaimInput, text: str) -> ClaimInput:
    """The claim with `text` in every free field."""
    words = ("description", "make", "model", "vin", "plate")
    vehicle = claim.job.vehicle.model_copy(update=dict.fromkeys(words, text))
    fields = dict.fromkeys(("number", "workshop", "technician", "complaint", "customer", "note"), text)
    known = claim.instruments[0]
    check = known.last_check.model_copy(update={"what": text}) if known.last_check else None
    texts = dict.fromkeys(("name", "maker", "model", "serial", "certificate"), text)
    return replace(
        claim,
        job=claim.job.model_copy(update={**fields, "vehicle": vehicle}),
        instruments=(known.model_copy(update={**texts, "last_check": check}),),
        steps=tuple(
            step.model_copy(
                update=dict.fromkeys(("step", "what", "value", "by", "problem", "note"), text)
                | {"figures": {text: text}}
            )
            for step in claim.steps
        ),
        runs=tuple(
            replace(run, header=run.header.model_copy(update=dict.fromkeys(HEADER_TEXTS, text)))
            for run in claim.runs[:1]
        ),
        photos=(Photo(None, text, jpeg(1)),),
        wheels=(WheelFacts(wheel="front left", limits={text: text}, **dict.fromkeys(WHEEL_TEXTS, text)),),
    )


@pytest.mark.parametrize("text", [HOSTILE, "W" * 10_000, HOSTILE * 120, "\u202e", "\x00", "]\n#panic()"])
def test_hostile_text_leaves_every_file_intact(
    claim: ClaimInput, key: SigningKey, tmp_path: Path, text: str
) -> None:
    bad = hostile(claim, text)
    pack = make_pack(bad, key, with_customer=True)
    files = files_of(pack)
    assert json.loads(files["data/job.json"])["job"]["complaint"] == text
    assert files["data/report.pdf"].startswith(b"%PDF-1.7")
    assert b"External-Identifier" in files["bag-info.txt"]
    assert all(line.count(b": ") >= 1 for line in files["bag-info.txt"].splitlines())
    (tmp_path / "pack.zip").write_bytes(pack.content)
    assert verify_pack(tmp_path / "pack.zip").faults == []
    no_formula(files)


def no_formula(files: Files) -> None:
    for path, content in files.items():
        if path.endswith(".csv"):
            for row in csv.reader(io.StringIO(content.decode(), newline="")):
                for cell in row:
                    assert not cell.startswith(("=", "+", "@", "\t", "\r")), path
                    assert not cell.startswith("-") or float(cell) < 0


def test_no_formula_stands_in_a_table(pack: Pack) -> None:
    no_formula(files_of(pack))
    trace = next(
        content
        for path, content in files_of(pack).items()
        if "as-found-runout.csv" in path and "traces" in path
    )
    assert b"'=HYPERLINK(1)" in trace


@pytest.mark.parametrize("form", [("de", "us-letter", "in"), ("de", "a4", "mm"), ("en", "us-letter", "in")])
def test_languages_papers_and_units(claim: ClaimInput, key: SigningKey, form: tuple[str, str, str]) -> None:
    language, paper, unit = form
    claim = replace(claim, runs=claim.runs[:2], form=Form(language=language, paper=paper, first_unit=unit))
    pdf = files_of(make_pack(claim, key))["data/report.pdf"]
    width = {"a4": b"595.27", "us-letter": b"612"}[paper]
    assert re.search(rb"/MediaBox\s*\[0 0 " + width, pdf)
    # What decides, each run on one page although both point to a part, then steps and methods.
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 4
    data, _ = report_data(claim, drawn_of(claim), "SHA256:x")
    value = data["wheels"][0]["lines"][0]["stages"][0]["value"]
    assert value.split(" ")[3] == unit
    assert ("," in value.split(" ")[0]) == (language == "de")


def test_message_files_have_the_same_keys_and_places() -> None:
    import tomllib

    folder = Path(__file__).parents[3] / "analysis" / "claim" / "messages"
    english, german = (tomllib.loads((folder / f"{name}.toml").read_text("utf-8")) for name in ("en", "de"))
    assert english.keys() == german.keys()
    assert all(english[table].keys() == german[table].keys() for table in ("method", "verify", "reason"))
    for key, text in english.items():
        if isinstance(text, str):
            assert set(re.findall(r"\{(\w+)\}", text)) == set(re.findall(r"\{(\w+)\}", german[key])), key


def test_the_pdf_says_that_it_is_pdf_a_2b_and_embeds_its_fonts(pack: Pack) -> None:
    # ISO 19005-2, read in the file itself; a full validator cannot be had from the registries used here.
    pdf = files_of(pack)["data/report.pdf"]
    assert b"<pdfaid:part>2</pdfaid:part>" in pdf
    assert b"<pdfaid:conformance>B</pdfaid:conformance>" in pdf
    assert b"/OutputIntents" in pdf
    assert not re.search(rb"/(JavaScript|JS|Launch|EmbeddedFile|Encrypt)\b", pdf)
    descriptors = len(re.findall(rb"/Type\s*/FontDescriptor", pdf))
    assert descriptors == len(re.findall(rb"/FontFile[23]?\b", pdf)) > 0


def test_the_first_page_decides(claim: ClaimInput) -> None:
    data, _ = report_data(claim, drawn_of(claim), "SHA256:x")
    wheel = data["wheels"][0]
    words = {line["name"]: [stage["word"] for stage in line["stages"]] for line in wheel["lines"]}
    assert words == {"end play": ["over", "within"], "run-out": ["over", "within"]}
    assert wheel["part"] == "What was found points to the bearing and the flange."
    assert "0.1519 ± 0.0034 mm" in wheel["why"]
    assert data["fingerprint"] == "SHA256:x"
    (with_what,) = data["instruments"]
    assert with_what.startswith("bench A: calibrated 2025-06-01, due 2026-01-01")
    assert with_what.endswith("overdue on the day of this run")
    flange = replace(claim, runs=claim.runs[1:2])
    wheel_of_flange = report_data(flange, drawn_of(flange), "")[0]["wheels"][0]
    judged = flange.runs[0].result
    mm, u_mm = max(judged.fim_mm.per_turn), judged.uncertainty_mm.expanded
    in_inch = f"{mm / 25.4:.5f} ± {u_mm / 25.4:.5f} in"
    why = f"The run-out is {mm:.4f} ± {u_mm:.4f} mm ({in_inch}); limit: 0.0508 mm (0.0020 in). 0.091"
    assert wheel_of_flange["why"].startswith(why)
    assert [line["source"] for line in wheel["lines"]] == [
        "invented workshop sheet 8",
        "invented workshop sheet 7",
    ]
    assert wheel["outcome"] == "After the repair every figure that was measured is within its limit."


def test_signs_of_the_analysis_are_printed_as_print_has_them() -> None:
    say = Wording("en", "mm")
    assert say.sentence("error, +-3 um, known within 1.2 deg") == "error, ±3 µm, known within 1.2°"
    assert say.sentence("drum, degree") == "drum, degree"


def test_what_was_seen_and_felt_speaks_against_a_part_whatever_the_figures_say(claim: ClaimInput) -> None:
    rough = Step(at_utc=claim.job.opened_utc, wheel="front left", step="turning", what="Turn", value="rough")
    sound = replace(claim, runs=claim.runs[2:], steps=(rough,))
    wheel = report_data(sound, drawn_of(sound), "SHA256:x")[0]["wheels"][0]
    assert wheel["part"] == "What was found points to the bearing."
    assert wheel["why"] == "It turns by hand: rough."
    smooth = rough.model_copy(update={"value": "smooth"})  # a later answer of the same step counts
    sound = replace(sound, steps=(rough, smooth))
    wheel = report_data(sound, drawn_of(sound), "SHA256:x")[0]["wheels"][0]
    assert wheel["part"] == "No figure is over its limit."


def test_a_bearing_counts_as_fitted_only_where_something_was_measured_after_the_repair(
    claim: ClaimInput,
) -> None:
    told = replace(claim, wheels=(WheelFacts(wheel="front left", new_part="N-1"),))
    assert report_data(told, drawn_of(told), "")[0]["wheels"][0]["parts"] == "Bearing fitted: part N-1, lot –"
    told = replace(told, runs=claim.runs[:1])
    parts = report_data(told, drawn_of(told), "")[0]["wheels"][0]["parts"]
    assert parts == "Bearing meant to be fitted: part N-1, lot –"
    kept = Step(at_utc=claim.job.opened_utc, wheel="front left", step="replace", what="?", value="no")
    told = replace(told, steps=(kept,))
    assert report_data(told, drawn_of(told), "")[0]["wheels"][0]["parts"] == ""


def test_a_pack_without_runs_is_refused(claim: ClaimInput, key: SigningKey) -> None:
    with pytest.raises(InputError, match="no run"):
        make_pack(replace(claim, runs=()), key)
