"""``hubproof claim`` and ``hubproof verify`` as typed, over a record of an invented job."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import sqlite3
import stat
import zipfile
from dataclasses import asdict
from pathlib import Path
from types import ModuleType

import pytest

from analysis.claim.signature import load_or_make_key
from analysis.measure import measure_endplay
from analysis.record import Store
from capture.commands import run as hubproof
from config.clock import SteppedClock

PARTS = Path(__file__).parents[2] / "analysis" / "claim" / "conftest.py"
JOB = "J-2026-0117"


@pytest.fixture(scope="session")
def parts() -> ModuleType:
    spec = importlib.util.spec_from_file_location("claim_parts", PARTS)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def data(parts: ModuleType, tmp_path: Path) -> Path:
    """A record with the end play of a job as found and after repair, and a run of nobody's job."""
    folder = tmp_path / "data"
    folder.mkdir()
    with Store.open(folder / "hubproof.sqlite", clock=SteppedClock(parts.START)) as store:
        stages = (("as found", 152, JOB), ("after repair", 12, JOB), ("as found", 40, None))
        for number, (stage, play, job) in enumerate(stages, start=1):
            run = parts.claim_run(number, "endplay", stage, parts.pushed(play), parts.PLAY_LIMIT)
            ref = store.begin_run(
                "endplay",
                {"name": "bench A", "serial_number": "S-1", "resolution_nm": 1000},
                settings={"applied_setup": asdict(run.header.setup), "applied_limit": asdict(run.limit)},
                started_t_ns=0,
                started_utc=run.header.started_utc,
                job=job,
                wheel="front left",
                stage=stage,
            )
            rows = zip(run.trace.time_s * 1e9, run.trace.reading_um * 1000, strict=True)
            store.append_readings(
                ref.key, [(seq, int(t_ns), int(nm), None, None) for seq, (t_ns, nm) in enumerate(rows)]
            )
            store.end_run(ref.key, "done", int(16.1e9))
            setup, limit = run.header.setup, run.limit
            store.save_result(ref.key, measure_endplay(store.trace(ref.id), setup=setup, limit=limit))
    return folder


def claimed(data: Path, out: Path, *more: str) -> Path:
    assert hubproof(["claim", JOB, "--data", str(data), "--out", str(out), *more]) == 0
    return out


def test_a_job_is_claimed_and_verified_elsewhere(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pack = claimed(data, tmp_path / "pack.zip")
    assert "2 runs, signed by SHA256:" in capsys.readouterr().out
    assert (data / "signing_key").stat().st_mode & 0o777 == 0o600
    # Another machine: no database, no keys, nothing but the file.
    assert hubproof(["verify", str(pack), "--data", str(tmp_path / "nothing")]) == 0
    told = capsys.readouterr()
    assert "unchanged and recomputed" in told.out
    assert "not known here" in told.err
    again = claimed(data, tmp_path / "again.zip")
    assert again.read_bytes() == pack.read_bytes()


def test_a_changed_pack_ends_with_1_and_is_named(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pack = claimed(data, tmp_path / "pack.zip")
    zipfile.ZipFile(pack).extractall(tmp_path / "unzipped")
    (folder,) = (tmp_path / "unzipped").iterdir()
    trace = folder / "data" / "traces" / "01-front-left-as-found-endplay.csv"
    trace.write_bytes(trace.read_bytes().replace(b",0.10", b",0.11"))
    assert hubproof(["verify", str(folder), "--data", str(data)]) == 1
    told = capsys.readouterr().out
    assert f"differs: data/traces/{trace.name}: was changed" in told
    assert "play_mm is stated as" in told


def test_particulars_come_from_a_file_and_a_known_key_gives_no_warning(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    details = tmp_path / "job.json"
    job = {"id": "j-1", "number": JOB, "opened_utc": "2026-03-04T09:00:00Z", "complaint": "Hums."}
    details.write_text(json.dumps(job))
    pack = claimed(
        data, tmp_path / "pack.zip", "--details", str(details), "--language", "de", "--first", "in"
    )
    keys = tmp_path / "keys"
    keys.write_text(load_or_make_key(data / "signing_key").public.line + " bench one\n")
    capsys.readouterr()
    assert hubproof(["verify", str(pack), "--known-keys", str(keys), "--data", str(data)]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    assert "(bench one)" in told.out


def test_a_pack_takes_the_place_of_no_device_or_pipe(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert hubproof(["claim", JOB, "--data", str(data), "--out", str(pipe)]) == 2
    assert "no file, and not replaced" in capsys.readouterr().err
    assert stat.S_ISFIFO(pipe.lstat().st_mode)


@pytest.mark.parametrize(
    "arguments",
    [
        ["claim"],
        ["claim", "NO-JOB"],
        ["claim", JOB, "--run", "last"],
        ["claim", "--run", "last", "--wheel", "FL"],
        ["verify"],
        ["verify", "no-such-file.zip"],
    ],
)
def test_what_cannot_be_done_ends_with_2_and_one_line(
    data: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert hubproof([*arguments, "--data", str(data)]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_the_record_is_checked_and_a_later_change_is_seen(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert hubproof(["verify", "--database", "--data", str(data)]) == 0
    assert "unchanged: 3 runs" in capsys.readouterr().out
    with sqlite3.connect(data / "hubproof.sqlite") as connection:
        connection.execute("UPDATE reading SET length_nm = length_nm + 1000 WHERE run = 1 AND seq = 7")
    connection.close()
    assert hubproof(["verify", "--database", "--data", str(data)]) == 1
    assert "differs" in capsys.readouterr().out


def test_a_record_that_was_rewritten_whole_no_longer_holds_the_link_of_the_pack(
    data: Path, parts: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pack = claimed(data, tmp_path / "pack.zip")
    assert hubproof(["verify", str(pack), "--database", "--data", str(data)]) == 0
    assert "was made from this record" in capsys.readouterr().out
    # A forger with the program itself writes the record anew, one reading changed, every link good.
    other = tmp_path / "other"
    other.mkdir()
    with Store.open(data / "hubproof.sqlite") as store, Store.open(other / "hubproof.sqlite") as forged:
        for listed in reversed(store.runs()):
            record, trace = store.run(listed.id), store.trace(listed.id)
            started = parts.START
            ref = forged.begin_run(
                "endplay", record.indicator, settings=record.settings, started_t_ns=0, started_utc=started,
                job=listed.job, wheel="front left", stage=listed.stage,
            )  # fmt: skip
            nm = (trace.reading_um * 1000).astype(int)
            nm[7] += 1000
            rows = enumerate(zip((trace.time_s * 1e9).astype(int), nm, strict=True))
            forged.append_readings(ref.key, [(seq, int(t), int(v), None, None) for seq, (t, v) in rows])
            forged.end_run(ref.key, "done", int(16.1e9))
    shutil.copy(data / "signing_key", other)
    assert hubproof(["verify", "--database", "--data", str(other)]) == 0
    assert hubproof(["verify", str(pack), "--database", "--data", str(other)]) == 1
    assert "does not hold the link" in capsys.readouterr().out


def test_the_link_of_the_record_is_blinded_and_known_to_its_own_station_alone(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pack = claimed(data, tmp_path / "pack.zip")
    with Store.open(data / "hubproof.sqlite") as store:
        link = store.last_link()
    # Customer and plate are in the chain: with a bare link whoever has the rest could try plates out.
    assert link.encode() not in pack.read_bytes()
    key = load_or_make_key(data / "signing_key")
    assert key.blinded(link).encode() in pack.read_bytes()
    (data / "signing_key").unlink()
    load_or_make_key(data / "signing_key")
    assert hubproof(["verify", str(pack), "--database", "--data", str(data)]) == 1
    assert "or the signing key was replaced" in capsys.readouterr().out
    (data / "signing_key").unlink()
    assert hubproof(["verify", str(pack), "--database", "--data", str(data)]) == 2
    told = capsys.readouterr().err.strip().splitlines()[-1]
    assert "signing_key: cannot be read: No such file or directory" in told


def test_an_older_pack_has_its_link_bare(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pack = claimed(data, tmp_path / "pack.zip")
    with Store.open(data / "hubproof.sqlite") as store:
        link = store.last_link()
    zipfile.ZipFile(pack).extractall(tmp_path / "older")
    (folder,) = (tmp_path / "older").iterdir()
    document = json.loads((folder / "data" / "job.json").read_text("utf-8"))
    document |= {"format": "hubproof-claim-pack/1", "record": {"last_link_sha256": link}}
    (folder / "data" / "job.json").write_text(json.dumps(document), "utf-8")
    # Written by hand here, so that its signature does not hold; the record's word stands by itself.
    assert hubproof(["verify", str(folder), "--database", "--data", str(data)]) == 1
    told = capsys.readouterr()
    assert "was made from this record" in told.out
    assert "in the form hubproof-claim-pack/1" in told.err
