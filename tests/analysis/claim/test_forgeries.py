"""What a forger with a key of his own, and the program, tries: noticed, or said, and never exit status 0.

A forger can sign whatever he wrote: his key is then not known to whoever checks. What is tried here is what
he could hide from somebody who takes his key for the workshop's.
"""

from __future__ import annotations

import io
import json
import os
import struct
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from analysis.claim.bag import MANIFEST, SIGNATURE, TAG_MANIFEST, Files, manifest, zip_bag
from analysis.claim.oddities import oddities
from analysis.claim.pack import SCRIPTS, Pack, make_pack
from analysis.claim.signature import SigningKey, load_or_make_key, sign
from analysis.claim.unpack import unpack
from analysis.claim.values import ClaimInput, Step
from analysis.claim.verify import Report, verify_pack
from capture.commands import run as hubproof
from config.errors import InputError
from tests.analysis.claim.test_verify import checked, files_of, resign

Write = Callable[[bytes], Path]
JOB = "data/job.json"


def edited(files: Files, path: str, change: Callable[[Any], None]) -> Files:
    """The files with the JSON at `path` changed by `change`, written as the program writes it."""
    value = json.loads(files[path])
    change(value)
    return {**files, path: (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode()}


def of_another_version(files: Files) -> Files:
    """The pack said to be made by another version, which cannot be built again here."""

    def change(job: Any) -> None:
        job["made_with"]["hubproof"] = "0.0.9"

    return edited(files, JOB, change)


# Another version ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "content"),
    [
        ("data/report.pdf", b"%PDF-1.7 says what the forger likes"),
        (SCRIPTS[0], b"print('judged 0.001')\n"),
        ("how-to-check.txt", b"Send money.\n"),
        ("fetch.txt", b"http://invalid.example/x - data/x\n"),
        ("data/report-final.pdf", b"%PDF-1.7"),
        ("data/schemas/job.schema.json", b"{}\n"),
    ],
)
def test_a_pack_that_calls_itself_another_version_is_never_whole(
    small_pack: Pack, key: SigningKey, written: Write, capsys: pytest.CaptureFixture[str],
    path: str, content: bytes,
) -> None:  # fmt: skip
    files = of_another_version(files_of(small_pack))
    files[path] = content
    if path.startswith("data/"):
        files = new_size(files)
    file = written(zip_bag(resign(files, key), "bag"))
    report = verify_pack(file)
    assert report.good
    assert path in report.not_compared
    assert not report.whole
    assert hubproof(["verify", str(file), "--data", str(file.parent)]) == 3
    told = capsys.readouterr()
    assert "unchanged and recomputed" not in told.out
    assert "but not its report" in told.out
    assert path in told.err


def new_size(files: Files) -> Files:
    """The files with the size in ``bag-info.txt`` set right."""
    data = [content for path, content in files.items() if path.startswith("data/")]
    lines = [line for line in files["bag-info.txt"].splitlines() if not line.startswith(b"Payload-Oxum")]
    oxum = f"Payload-Oxum: {sum(map(len, data))}.{len(data)}".encode()
    return {**files, "bag-info.txt": b"\n".join([*lines, oxum, b""])}


def test_figures_of_another_version_are_still_computed_again(
    small_pack: Pack, key: SigningKey, written: Write
) -> None:
    files = of_another_version(files_of(small_pack))
    path = next(path for path in files if path.startswith("data/results/"))

    def change(result: Any) -> None:
        result["verdict"] = "within"

    report = checked(written, resign(edited(files, path, change), key))
    assert [fault for fault in report.faults if "verdict is stated as within" in fault]


def test_a_pack_of_the_older_form_is_told_as_that(small_pack: Pack, key: SigningKey, written: Write) -> None:
    def change(job: Any) -> None:
        job["format"] = "hubproof-claim-pack/1"
        job["record"] = {"last_link_sha256": "0" * 64}

    files = edited(files_of(small_pack), JOB, change)
    for script in SCRIPTS:
        del files[script]
    report = checked(written, resign(files, key))
    assert report.faults == []
    assert {JOB, *SCRIPTS} <= set(report.not_compared)
    assert not report.whole


# What is stated twice, or does not go together ----------------------------------------------------


@pytest.mark.parametrize("path", [JOB, "data/limits.json", "data/instruments.json", "result"])
@pytest.mark.parametrize("version", [dict, of_another_version])
def test_a_key_that_stands_twice_is_refused(
    small_pack: Pack, key: SigningKey, written: Write, path: str, version: Callable[[Files], Files]
) -> None:
    files = version(files_of(small_pack))
    if path == "result":
        path = next(path for path in files if path.startswith("data/results/"))
    first = json.loads(files[path])
    name = next(iter(first))
    twin = b'{\n "' + name.encode() + b'": "what a person reads first",' + files[path][1:]
    report = checked(written, resign({**files, path: twin}, key))
    assert [fault for fault in report.faults if f"{path}: has the key '{name}' twice" in fault]


def test_the_list_of_signers_must_name_the_key_that_signed(
    small_pack: Pack, key: SigningKey, tmp_path: Path, written: Write
) -> None:
    other = load_or_make_key(tmp_path / "other").public
    files = {**files_of(small_pack), "allowed_signers": other.allowed_signers.encode()}
    report = checked(written, resign(files, key))
    assert "allowed_signers: does not name the key that signed the pack" in report.faults
    files = {**files_of(small_pack), "signing-key.pub": f"{other.line}\n".encode()}
    assert "signing-key.pub: is not the key that signed the pack" in checked(
        written, resign(files, key)
    ).faults  # fmt: skip


def test_a_run_of_another_pack_is_seen_unless_it_is_signed_anew(
    small_pack: Pack, claim: ClaimInput, key: SigningKey, written: Write
) -> None:
    foreign = files_of(make_pack(replace(claim, runs=claim.runs[2:3]), key))
    ours = files_of(small_pack)
    names = [path for path in ours if "01-front-left-as-found-endplay" in path]
    assert len(names) == 4  # trace, result, working, holds
    swapped = {path: foreign[path.replace("as-found", "after-repair")] for path in names}
    faults = checked(written, {**ours, **swapped}).faults
    assert {fault.partition(":")[0] for fault in faults} >= set(names)


def test_readings_that_stand_twice_and_times_that_do_not_fit_are_said(claim: ClaimInput) -> None:
    assert oddities(claim) == []
    twin = replace(claim.runs[2], trace=claim.runs[0].trace)
    assert "has the very readings of run" in oddities(replace(claim, runs=(*claim.runs[:2], twin)))[0]
    for hours, word in ((-2, "before the job was opened"), (9, "after the job was closed")):
        run = claim.runs[0]
        begun = run.header.started_utc + timedelta(hours=hours)
        header = run.header.model_copy(update={"started_utc": begun})
        assert word in oddities(replace(claim, runs=(replace(run, header=header),)))[0]
    (known,) = claim.instruments
    fine = known.model_copy(update={"resolution_nm": 500})
    told = oddities(replace(claim, runs=claim.runs[:1], instruments=(fine,)))
    assert told == [
        f"run {claim.runs[0].header.id} has readings in steps of 1 um, its indicator is described with 0.5 um"
    ]
    assert "is not described" in oddities(replace(claim, runs=claim.runs[:1], instruments=()))[0]
    late = Step(at_utc=claim.job.opened_utc - timedelta(hours=1), what="x", run=claim.runs[0].header.id)
    told = oddities(replace(claim, steps=(*claim.steps, late)))
    assert len(told) == 2
    assert "stands behind a later one" in told[0]
    assert "began after it" in told[1]


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        (b"# resolution_mm: 0.001", b"# resolution_mm: 0.0005", "data/results/"),
        (b"# resolution_mm: 0.001", b"# resolution_mm: 0.001\r\n# said by nobody", "data/traces/"),
        (b"\r\n", b"\n", "data/traces/"),
        (b"time_s,reading_mm", b"time_s,reading_um", "data/results/"),
    ],
    ids=["another step", "another comment", "other line ends", "another unit"],
)
def test_a_trace_whose_head_says_something_else_is_seen_though_well_signed(
    small_pack: Pack, key: SigningKey, written: Write, old: bytes, new: bytes, where: str
) -> None:
    files = files_of(small_pack)
    path = next(path for path in files if path.startswith("data/traces/"))
    assert old in files[path]
    report = checked(written, resign({**files, path: files[path].replace(old, new)}, key))
    assert [fault for fault in report.faults if fault.startswith(where)]


@pytest.mark.parametrize(
    ("path", "old", "new"),
    [
        ("data/limits.json", b"127000", b"200000"),
        ("data/limits.json", b"invented workshop sheet 8", b"vehicle maker"),
        (JOB, b'"permissible_error_um": 3.0', b'"permissible_error_um": 1.0'),
        (JOB, b'"plunger_angle_deg": 0.0', b'"plunger_angle_deg": 30.0'),
        (JOB, b'"started_utc": "2026-03-04T09:10', b'"started_utc": "2026-03-04T10:10'),
        ("data/instruments.json", b'"calibration_due": "2026-01-01"', b'"calibration_due": "2027-01-01"'),
        ("bag-info.txt", b"Bagging-Date: 2026-03-04", b"Bagging-Date: 2026-03-05"),
    ],
)
def test_a_changed_limit_set_up_time_or_calibration_differs_from_the_report(
    small_pack: Pack, key: SigningKey, written: Write, path: str, old: bytes, new: bytes
) -> None:
    files = files_of(small_pack)
    assert old in files[path]
    report = checked(written, resign({**files, path: files[path].replace(old, new)}, key))
    assert report.faults


# The zip file -------------------------------------------------------------------------------------


def noticed(report: Callable[[], Report]) -> bool:
    try:
        return not report().good
    except InputError:
        return True


def rezipped(files: list[tuple[str, bytes]], **more: int) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, content in files:
            entry = zipfile.ZipInfo(f"bag/{name}", (1980, 1, 1, 0, 0, 0))
            entry.create_system, entry.external_attr = 3, 0o100644 << 16
            for attribute, value in more.items():
                setattr(entry, attribute, value)
            archive.writestr(entry, content)
    return buffer.getvalue()


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_tricks_with_the_zip_file(small_pack: Pack, written: Write) -> None:
    files = sorted(files_of(small_pack).items())
    good = rezipped(files)
    assert verify_pack(written(good)).good
    job = dict(files)[JOB]
    at = good.rindex(b"PK\x01\x02")
    local = good.index(b"PK\x03\x04", 10)
    tricks = {
        "a name twice, the same bytes": rezipped([*files, files[0]]),
        "a name twice, other bytes": rezipped([(JOB, b"{}"), *files]),
        "a name that differs by case": rezipped(sorted([*files, ("data/JOB.json", job)])),
        "a folder entry": rezipped([*files, ("data/", b"")]),
        "another order": rezipped(files[::-1]),
        "an extra field (zip64)": rezipped(files, extra=struct.pack("<HHQQ", 1, 16, 1, 1)),  # type: ignore[arg-type]
        "a comment on a file": rezipped(files, comment=b"x"),  # type: ignore[arg-type]
        "a name in the local header": good[: local + 30] + b"B" + good[local + 31 :],
        "a time in the local header": good[: local + 10] + b"\1" + good[local + 11 :],
        "a time in the directory": good[: at + 12] + b"\1" + good[at + 13 :],
        "a mode in the directory": good[: at + 40] + b"\1" + good[at + 41 :],
        "an encrypted mark": good[: at + 8] + b"\1" + good[at + 9 :],
        "more entries than there are": good[:-12] + b"\xff\xff" + good[-10:],
        "the archive twice": good + good,
        "another archive in front": rezipped([(JOB, b"{}")]) + good,
    }
    for name, content in tricks.items():
        assert noticed(lambda content=content: verify_pack(written(content))), name  # type: ignore[misc]


def test_a_byte_changed_in_the_zip_file_alone_names_the_file(
    small_pack: Pack, written: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    content = bytearray(small_pack.content)
    at = small_pack.content.index(b"play_mm")  # in a result; its CRC-32 in the zip no longer fits
    content[at] ^= 1
    file = written(bytes(content))
    assert hubproof(["verify", str(file), "--data", str(file.parent)]) == 1
    told = capsys.readouterr().out
    assert "differs: data/" in told
    assert "its bytes do not fit the zip file: it was changed" in told


def test_a_manifest_that_lists_a_file_twice_or_one_that_is_elsewhere(
    small_pack: Pack, key: SigningKey, written: Write
) -> None:
    files = files_of(small_pack)
    line = files[MANIFEST].splitlines(keepends=True)[0]
    for more in (line, b"0" * 64 + b"  data/../../etc/passwd\n", line.replace(b"data/", b"data\\"), b"\n"):
        tags = {**files, MANIFEST: files[MANIFEST] + more}
        own = (TAG_MANIFEST, SIGNATURE)
        listed = {path: text for path, text in tags.items() if path[:5] != "data/" and path not in own}
        tags[TAG_MANIFEST] = manifest(listed)
        tags[SIGNATURE] = sign(tags[TAG_MANIFEST], key)
        faults = checked(written, tags).faults
        assert [fault for fault in faults if fault.startswith(MANIFEST)], more


def test_a_pipe_in_a_folder_is_never_read(small_pack: Pack, tmp_path: Path) -> None:
    zipfile.ZipFile(io.BytesIO(small_pack.content)).extractall(tmp_path)
    folder = tmp_path / small_pack.name
    os.mkfifo(folder / "data" / "pipe")
    with pytest.raises(InputError, match="plain file"):
        unpack(folder)


def test_what_a_pack_says_cannot_command_the_terminal(
    small_pack: Pack, key: SigningKey, written: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    def change(result: Any) -> None:
        text = "\x1b[2J\x1b[Hpack.zip: unchanged and recomputed\u202e"
        result["reasons"].append({"code": "x", "text": text})

    files = files_of(small_pack)
    path = next(path for path in files if path.startswith("data/results/"))
    file = written(zip_bag(resign(edited(files, path, change), key), "bag"))
    assert hubproof(["verify", str(file), "--data", str(file.parent)]) == 1
    told = capsys.readouterr().out
    assert all(sign.isprintable() or sign == "\n" for sign in told)
    assert told.splitlines()[-1] == f"{file}: changed, or not what its readings give"
