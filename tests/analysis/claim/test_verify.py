"""Changes of every kind to a pack must be noticed; a good pack must pass on any machine."""

from __future__ import annotations

import io
import json
import random
import stat
import struct
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.claim.bag import MANIFEST, SIGNATURE, TAG_MANIFEST, Files, bag_faults, manifest, zip_bag
from analysis.claim.pack import Pack, make_pack
from analysis.claim.signature import SigningKey, sign
from analysis.claim.unpack import unpack
from analysis.claim.values import ClaimInput, ClaimRun
from analysis.claim.verify import Report, read_known_keys, verify_pack
from analysis.claim.working import Working, work_out
from config.errors import InputError

Write = Callable[[bytes], Path]
RANDOM_CHANGES = 30  # the bench makes 1,000


def files_of(pack: Pack) -> Files:
    with zipfile.ZipFile(io.BytesIO(pack.content)) as archive:
        return {entry.filename.partition("/")[2]: archive.read(entry) for entry in archive.infolist()}


def relist(files: Files) -> Files:
    """The files with manifests that fit them again, as a forger without a key would write."""
    data = {path: content for path, content in files.items() if path.startswith("data/")}
    files = {**files, MANIFEST: manifest(data)}
    tags = {path: content for path, content in files.items() if path not in (*data, TAG_MANIFEST, SIGNATURE)}
    return {**files, TAG_MANIFEST: manifest(tags)}


def resign(files: Files, key: SigningKey) -> Files:
    files = relist(files)
    return {**files, SIGNATURE: sign(files[TAG_MANIFEST], key)}


def checked(write: Write, files: Files, name: str = "bag") -> Report:
    return verify_pack(write(zip_bag(files, name)))


def noticed(path: Path) -> bool:
    try:
        report = verify_pack(path)
    except InputError:
        return True
    return not report.good


def test_a_good_pack_is_unchanged_and_recomputed(pack: Pack, key: SigningKey, written: Write) -> None:
    report = verify_pack(written(pack.content))
    assert report.faults == []
    assert report.runs == 4
    assert report.figures > 200
    assert report.fingerprint == key.public.fingerprint


def test_another_machine_rounds_otherwise_and_finds_the_pack_good_all_the_same(
    pack: Pack, written: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Other processors and thread counts sum in another order: the last bits of every array differ.
    draw = np.random.default_rng(3)

    def elsewhere(run: ClaimRun) -> Working:
        worked = work_out(run)
        if worked.profiles is None:
            return worked
        noise_um = draw.normal(0, 1e-9, worked.profiles.turns_um.shape)
        turns_um, repeatable_um = worked.profiles.turns_um, worked.profiles.repeatable_um
        other = replace(
            worked.profiles, turns_um=turns_um + noise_um, repeatable_um=repeatable_um + noise_um[0]
        )
        assert worked.turns is not None
        assert worked.turns.angle_deg is not None
        moved = replace(worked.turns, angle_deg=worked.turns.angle_deg + 1e-7)
        return replace(worked, profiles=other, turns=moved)

    monkeypatch.setattr("analysis.claim.verify.work_out", elsewhere)
    assert verify_pack(written(pack.content)).faults == []


CHANGED_TABLES = {
    "working": (b"\r\n0.", b"\r\n1."),
    "model": (b"e-", b"e-1"),
    "profiles": (b"\r\n1.0,", b"\r\n1.5,"),
    "turns": (b",", b";"),
    "holds": (b"pu", b"po"),
}


def test_tables_that_the_readings_do_not_give_are_named_though_well_signed(
    pack: Pack, written: Write, key: SigningKey
) -> None:
    files = files_of(pack)
    changed = {}
    for folder, (old, new) in CHANGED_TABLES.items():
        path = next(path for path in files if path.startswith(f"data/{folder}/") and old in files[path])
        changed[path] = files[path].replace(old, new, 1)
    faults = checked(written, resign({**files, **changed}, key)).faults
    assert {fault.partition(":")[0] for fault in faults} == changed.keys()


def test_a_run_with_a_second_indicator_is_computed_anew_with_both(
    claim: ClaimInput, key: SigningKey, written: Write
) -> None:
    run = claim.runs[1]
    beside = np.random.default_rng(0).normal(0, 0.1, len(run.trace)) + run.trace.reading_um / 7
    beside[5] = np.nan
    header = run.header.model_copy(update={"second": "pilot"})
    run = replace(run, header=header, trace=replace(run.trace, reading2_um=beside))
    run = replace(run, result=work_out(run).result)
    pack = make_pack(replace(claim, runs=(run,)), key)
    assert pack.warnings == ()
    assert verify_pack(written(pack.content)).faults == []
    (path,) = [path for path in files_of(pack) if path.startswith("data/results/")]
    assert json.loads(files_of(pack)[path])["pilot"]["fim_mm"]["per_turn"]


def test_an_unknown_key_is_a_warning_and_a_known_one_is_none(
    small_pack: Pack, key: SigningKey, written: Write
) -> None:
    path = written(small_pack.content)
    assert any("not known here" in warning for warning in verify_pack(path).warnings)
    known = read_known_keys(f"# keys\n\n{key.public.line} bench one\n", "keys")
    assert known == {key.public.fingerprint: "bench one"}
    assert verify_pack(path, known).warnings == []


def test_the_unzipped_folder_is_checked_the_same(small_pack: Pack, tmp_path: Path) -> None:
    zipfile.ZipFile(io.BytesIO(small_pack.content)).extractall(tmp_path)
    assert verify_pack(tmp_path / small_pack.name).good
    trace = next((tmp_path / small_pack.name / "data" / "traces").iterdir())
    trace.write_bytes(trace.read_bytes().replace(b"1", b"2", 1))
    assert any(trace.name in fault for fault in verify_pack(tmp_path / small_pack.name).faults)


def test_a_pack_that_was_packed_anew_is_no_longer_the_file_but_its_folder_is_good(
    small_pack: Pack, written: Write, tmp_path: Path
) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, content in files_of(small_pack).items():
            archive.writestr(f"other/{path}", content)
    path = written(buffer.getvalue())
    assert [fault for fault in verify_pack(path).faults if "packed anew" in fault]
    zipfile.ZipFile(path).extractall(tmp_path)
    assert verify_pack(tmp_path / "other").good


def with_comment(content: bytes) -> bytes:
    """The same archive with a zip comment at its end."""
    return content[:-2] + struct.pack("<H", 5) + b"hello"


@pytest.mark.parametrize(
    "change",
    [lambda c: c + b"x", lambda c: c + b"\0" * 40, lambda c: b"#!/bin/sh\n" + c, with_comment],
    ids=["a byte behind", "zeros behind", "a script in front", "a comment"],
)
def test_whatever_is_in_the_file_and_not_in_the_pack_is_a_change(
    small_pack: Pack, written: Write, change: Callable[[bytes], bytes]
) -> None:
    assert noticed(written(change(small_pack.content)))


def test_one_flipped_bit_in_any_file_is_noticed(pack: Pack) -> None:
    # The digests are compared before anything is computed, so that this can go through every file.
    files = files_of(pack)
    draw = random.Random(5)
    for path in files:
        if path in (SIGNATURE, TAG_MANIFEST):
            continue  # the signature guards these two: see the test below and that of the signature
        changed = bytearray(files[path])
        changed[draw.randrange(len(changed))] ^= 1 << draw.randrange(8)
        assert any(
            path in fault or path == "bagit.txt" for fault in bag_faults({**files, path: bytes(changed)})
        )


@pytest.mark.parametrize("path", [SIGNATURE, TAG_MANIFEST, "allowed_signers", "data/report.pdf"])
def test_the_verifier_names_a_flipped_file(small_pack: Pack, written: Write, path: str) -> None:
    files = files_of(small_pack)
    changed = bytearray(files[path])
    changed[len(changed) // 2] ^= 1
    report = checked(written, {**files, path: bytes(changed)})
    assert any(path in fault for fault in report.faults)


def test_an_edited_figure_with_a_corrected_manifest_is_named(small_pack: Pack, written: Write) -> None:
    files = files_of(small_pack)
    path = next(path for path in files if "as-found-endplay.json" in path)
    result = json.loads(files[path])
    result["play_mm"] = 0.02
    report = checked(written, relist({**files, path: json.dumps(result).encode()}))
    assert any("signature" in fault for fault in report.faults)
    assert any(path in fault and "play_mm is stated as 0.02" in fault for fault in report.faults)


def test_a_forger_with_a_key_of_his_own_is_caught_by_the_readings(
    pack: Pack, written: Write, tmp_path: Path, key: SigningKey
) -> None:
    files = files_of(pack)
    path = next(path for path in files if "as-found-runout.json" in path)
    result = json.loads(files[path])
    result["verdict"] = "within"
    report = checked(written, resign({**files, path: json.dumps(result).encode()}, key))
    assert [fault for fault in report.faults if "verdict is stated as within" in fault]


def test_a_report_that_says_something_else_is_caught_though_well_signed(
    small_pack: Pack, claim: ClaimInput, written: Write, key: SigningKey
) -> None:
    job = claim.job.model_copy(update={"complaint": "Nothing."})
    pdf = files_of(make_pack(replace(claim, job=job, runs=claim.runs[:1]), key))["data/report.pdf"]
    report = checked(written, resign({**files_of(small_pack), "data/report.pdf": pdf}, key))
    assert report.faults == ["data/report.pdf: is not what the readings and the job of this pack give"]


def test_random_changes_are_noticed(claim: ClaimInput, key: SigningKey, written: Write) -> None:
    pack = make_pack(replace(claim, runs=claim.runs[:1]), key)
    draw = random.Random(7)
    for _ in range(RANDOM_CHANGES):
        name, content = random_change(pack, draw)
        assert noticed(written(content)), name


def random_change(pack: Pack, draw: random.Random) -> tuple[str, bytes]:
    """One change: a byte of the zip or around it, a dropped, added, renamed or swapped file, a figure."""
    files = files_of(pack)
    paths = sorted(files)
    one, other = draw.sample(paths, 2)
    kind = draw.choice(["byte", "around", "file byte", "drop", "add", "rename", "swap", "figure"])
    if kind == "around":
        extra = draw.randbytes(draw.randrange(1, 99))
        return kind, draw.choice([pack.content + extra, extra + pack.content])
    if kind == "byte":
        changed = bytearray(pack.content)
        place = draw.randrange(len(changed))
        changed[place] ^= draw.randrange(1, 256)
        return f"byte {place}", bytes(changed)
    if kind == "file byte":
        changed = bytearray(files[one])
        changed[draw.randrange(len(changed))] ^= draw.randrange(1, 256)
        files[one] = bytes(changed)
    elif kind == "drop":
        del files[one]
    elif kind == "add":
        files[f"{draw.choice(['', 'data/', 'data/traces/'])}new-{draw.randrange(99)}.csv"] = b"time_s\n"
    elif kind == "rename":
        files[f"{one}x"] = files.pop(one)
    elif kind == "swap":
        if files[one] == files[other]:
            del files[other]
        files[one], files[other] = files.get(other, b""), files[one]
    else:
        one = draw.choice([path for path in paths if path.startswith("data/results/")])
        digits = [place for place, letter in enumerate(files[one]) if 0x31 <= letter <= 0x39]
        changed = bytearray(files[one])
        place = draw.choice(digits)
        changed[place] = 0x31 + (changed[place] - 0x31 + draw.randrange(1, 9)) % 9
        files[one] = bytes(changed)
        files = relist(files)
    return f"{kind} {one} {other}", zip_bag(files, pack.name)


# What hostile senders try -------------------------------------------------------------------------


def zipped(entries: list[tuple[zipfile.ZipInfo, bytes]]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for entry, content in entries:
            archive.writestr(entry, content, compress_type=zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


@pytest.mark.parametrize(
    "name", ["bag/../../etc/x", "/bag/x", "bag/a b", "bag\\x", "bag/a/b/c/d/e", "bag/C:x"]
)
def test_names_that_lead_elsewhere_are_refused(name: str, written: Write) -> None:
    with pytest.raises(InputError, match="no claim pack holds"):
        unpack(written(zipped([(zipfile.ZipInfo(name), b"x")])))


def test_a_link_in_a_zip_is_refused(written: Write) -> None:
    entry = zipfile.ZipInfo("bag/link")
    entry.create_system, entry.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    with pytest.raises(InputError, match="no claim pack holds"):
        unpack(written(zipped([(entry, b"/etc/passwd")])))


def test_a_link_in_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "bag").mkdir()
    (tmp_path / "bag" / "bagit.txt").symlink_to("/etc/hostname")
    with pytest.raises(InputError, match="plain file"):
        unpack(tmp_path / "bag")


def test_a_folder_of_anything_else_is_told_as_such_and_not_read_through(tmp_path: Path) -> None:
    (tmp_path / "some.iso").symlink_to("/etc/hostname")
    with pytest.raises(InputError, match="folder of no pack"):
        unpack(tmp_path)


def test_a_bomb_is_refused_before_it_unfolds(written: Write) -> None:
    bomb = zipped([(zipfile.ZipInfo("bag/bomb"), bytes(70_000_000))])
    assert len(bomb) < 200_000
    with pytest.raises(InputError, match="too large"):
        unpack(written(bomb))


def test_a_lie_about_the_size_unfolds_nothing(written: Write) -> None:
    content = bytearray(zipped([(zipfile.ZipInfo("bag/file"), bytes(10_000_000))]))
    place = content.rindex(b"PK\x01\x02")
    struct.pack_into("<I", content, place + 24, 10)  # uncompressed size in the central directory
    found = unpack(written(bytes(content)))
    assert (found.files, found.damaged, found.as_written) == ({}, ("file",), False)


def test_too_many_files_and_two_folders_are_refused(written: Write) -> None:
    with pytest.raises(InputError, match="files"):
        unpack(written(zipped([(zipfile.ZipInfo(f"bag/{number}"), b"") for number in range(2001)])))
    with pytest.raises(InputError, match="folders"):
        unpack(written(zipped([(zipfile.ZipInfo("a/x"), b""), (zipfile.ZipInfo("b/y"), b"")])))


@pytest.mark.parametrize("content", [b"", b"PK", b"not a zip", b"PK\x05\x06" + bytes(18)])
def test_what_is_no_pack_is_refused(content: bytes, written: Write) -> None:
    with pytest.raises(InputError):
        verify_pack(written(content))


@pytest.mark.parametrize(
    ("path", "content"),
    [
        ("data/job.json", b"[" * 100_000),
        ("data/job.json", b'{"format": NaN}'),
        ("data/limits.json", b'{"limits": [{"id": "limit-1", "limit": {"name": "x"}}]}'),
        ("data/instruments.json", b"\xff\xfe"),
    ],
)
def test_hostile_json_is_named_even_when_signed(
    small_pack: Pack, key: SigningKey, written: Write, path: str, content: bytes
) -> None:
    report = checked(written, resign({**files_of(small_pack), path: content}, key))
    assert any(path in fault for fault in report.faults)


@pytest.mark.parametrize("number", ["NaN", "Infinity", "1e999", '"x"'])
def test_a_figure_that_is_no_number_is_named(
    small_pack: Pack, key: SigningKey, written: Write, number: str
) -> None:
    files = files_of(small_pack)
    path = next(path for path in files if "as-found-endplay.json" in path)
    text = files[path].decode()
    start = text.index('"play_mm"', text.index("],")) + len('"play_mm":')
    end = text.index(",", start)
    files[path] = (text[:start] + number + text[end:]).encode()
    report = checked(written, resign(files, key))
    assert any(path in fault for fault in report.faults)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"plunger_angle_deg": 0.0', '"plunger_angle_deg": NaN'),
        ('"plunger_angle_deg": 0.0', '"plunger_angle_deg": 1e308'),
        ('"permissible_error_um": 3.0', '"permissible_error_um": -1e308'),
        ('"closed_utc": "2026', '"closed_utc": "0001'),
        ('"wheel": "front left"', '"wheel": "../../x"'),
        ('"trace": "traces/', '"trace": "../../etc/'),
    ],
)
def test_values_that_no_measurement_gives_are_faults_and_never_a_crash(
    small_pack: Pack, key: SigningKey, written: Write, old: str, new: str
) -> None:
    files = files_of(small_pack)
    text = files["data/job.json"].decode()
    assert old in text
    changed = text.replace(old, new, 1).encode()
    report = checked(written, resign({**files, "data/job.json": changed}, key))
    assert report.faults
