"""The customer's name and the plate: kept with the job, handed over only when asked for, never logged."""

from __future__ import annotations

import json
import logging
import sqlite3
import zipfile
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.claim.from_record import claim_of_job
from analysis.claim.pack import make_pack
from analysis.claim.signature import load_or_make_key
from analysis.measure import measure_endplay
from analysis.record import Store
from analysis.record.jobs import Jobs
from capture.commands import run as hubproof
from config.clock import SteppedClock
from config.path import load_path

START = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
CUSTOMER, PLATE = "Customer Somebody", "PLATE-77"
# Markup of the report's language, a formula, a terminal's escape, a path: text and nothing else.
HOSTILE = '=1+1 #read("/etc/hostname") <b> \x1b[31m ../../x "quoted" $x$ \u202egnp'


def opened(data: Path, customer: str = CUSTOMER, plate: str = PLATE) -> Path:
    """A data folder with one job of an invented customer, and an end play measured for it."""
    who = ["--technician", "A. Invented", "--wheel", "front left", "--data", str(data)]
    assert hubproof(["job", "open", *who, "--customer", customer, "--plate", plate]) == 0
    database = data / "hubproof.sqlite"
    with Jobs.open(database) as jobs, Store.open(database, clock=SteppedClock(START)) as store:
        ref = store.begin_run(
            "endplay", {"name": "bench", "serial_number": "INVENTED-1", "resolution_nm": 1000}, settings={},
            started_t_ns=0, started_utc=START, job=jobs.find("last").id, wheel="front left", stage="as found",
        )  # fmt: skip
        rows = [(i, 10**7 * i, 1000 * (i // 50 % 2 * 80 + i % 2), None, None) for i in range(400)]
        store.append_readings(ref.key, rows)
        store.end_run(ref.key, "done", 5 * 10**9)
        store.save_result(ref.key, measure_endplay(store.trace(ref.id)))
    return data


def claimed(data: Path, out: Path, *more: str) -> dict[str, bytes]:
    """The files of the pack of the last job, by name."""
    assert hubproof(["claim", "last", "--data", str(data), "--out", str(out), *more]) == 0
    assert hubproof(["verify", str(out), "--data", str(data)]) == 0
    with zipfile.ZipFile(out) as pack:
        return {name.split("/", 1)[1]: pack.read(name) for name in pack.namelist()}


def test_both_are_kept_and_handed_over_only_when_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    data = opened(tmp_path / "data")
    plain = claimed(data, tmp_path / "plain.zip")
    asked = claimed(data, tmp_path / "asked.zip", "--with-customer")
    said = capsys.readouterr()
    for text in (CUSTOMER, PLATE):
        assert not [name for name, content in plain.items() if text.encode() in content]
        assert text.encode() in asked["data/job.json"]
        assert text not in said.out + said.err + caplog.text
    assert hubproof(["job", "show", "--data", str(data)]) == 0
    assert f"customer '{CUSTOMER}', plate '{PLATE}'" in capsys.readouterr().out
    assert hubproof(["job", "show", "--data", str(data), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["customer"], told["plate"]) == (CUSTOMER, PLATE)


def test_unasked_the_pack_is_to_the_byte_that_of_a_job_without_them(tmp_path: Path) -> None:
    """So nothing of them is in the report either, whose text no search of a PDF's bytes would find."""
    data = opened(tmp_path / "data")
    key = load_or_make_key(data / "signing_key")
    with Store.open(data / "hubproof.sqlite") as store, Jobs.open(store.path) as jobs:
        claim = claim_of_job(store, jobs.find("last"), load_path())
    assert (claim.job.customer, claim.job.vehicle.plate) == (CUSTOMER, PLATE)
    vehicle = claim.job.vehicle.model_copy(update={"plate": None})
    job = claim.job.model_copy(update={"customer": None, "vehicle": vehicle})
    without = make_pack(replace(claim, job=job), key)
    assert make_pack(claim, key).content == without.content
    assert make_pack(claim, key, with_customer=True).content != without.content


def test_hostile_text_stays_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = opened(tmp_path / "data", HOSTILE, HOSTILE)
    asked = claimed(data, tmp_path / "asked.zip", "--with-customer")
    told = json.loads(asked["data/job.json"])["job"]
    assert (told["customer"], told["vehicle"]["plate"]) == (HOSTILE, HOSTILE)
    capsys.readouterr()
    assert hubproof(["job", "show", "--data", str(data)]) == 0
    shown = capsys.readouterr().out
    assert "\x1b" not in shown
    assert "\u202e" not in shown


def test_neither_need_be_recorded_and_a_file_may_give_them(tmp_path: Path) -> None:
    bare = opened(tmp_path / "bare", "", " ")
    told = json.loads(claimed(bare, tmp_path / "bare.zip", "--with-customer")["data/job.json"])["job"]
    assert (told["customer"], told["vehicle"]["plate"]) == (None, None)
    file = tmp_path / "job.toml"
    head = f'[job]\ntechnician = "A"\ncustomer = "{CUSTOMER}"\nplate = "{PLATE}"\n'
    file.write_text(f'{head}[[wheel]]\nwheel = "FL"\n', encoding="utf-8")
    assert hubproof(["job", "run-file", str(file), "--data", str(tmp_path / "data")]) == 0
    with Jobs.open(tmp_path / "data" / "hubproof.sqlite") as jobs:
        sheet = jobs.find("last").sheet
    assert (sheet.customer, sheet.plate) == (CUSTOMER, PLATE)


def test_another_bench_of_the_workshop_gets_them_and_one_who_changed_them_is_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    here, there = opened(tmp_path / "here"), tmp_path / "there"
    file = tmp_path / "carried"
    assert hubproof(["job", "export", "last", "--out", str(file), "--data", str(here)]) == 0
    for _ in range(2):  # the second time it is the same job
        assert hubproof(["job", "import", str(file), "--data", str(there)]) == 0
    with Jobs.open(there / "hubproof.sqlite") as jobs, Store.open(jobs.path) as store:
        sheet = jobs.find("last").sheet
        assert store.verify().differences == ()
    assert (sheet.customer, sheet.plate) == (CUSTOMER, PLATE)
    with closing(sqlite3.connect(there / "hubproof.sqlite", isolation_level=None)) as connection:
        connection.execute("UPDATE job SET customer = 'Somebody Else'")
    with Store.open(there / "hubproof.sqlite") as store:
        assert "was changed after it was written" in store.verify().differences[0].text
    assert hubproof(["job", "import", str(file), "--data", str(there)]) == 2
    assert "is another job here" in capsys.readouterr().err
