"""Bag and signature against independent readers: bagit (PyPI), sha256sum, and OpenSSH's ssh-keygen."""

from __future__ import annotations

import hashlib
import io
import shutil
import subprocess
import zipfile
from datetime import date
from pathlib import Path

import bagit
import pytest

from analysis.claim.bag import bag_faults, make_bag, sha256, zip_bag
from analysis.claim.pack import Pack
from analysis.claim.signature import IDENTITY, NAMESPACE, SigningKey, check, load_or_make_key, sign
from config.errors import InputError

needs_ssh_keygen = pytest.mark.skipif(
    shutil.which("ssh-keygen") is None, reason="ssh-keygen is missing: apt-get install openssh-client"
)


@pytest.fixture
def unzipped(pack: Pack, tmp_path: Path) -> Path:
    zipfile.ZipFile(io.BytesIO(pack.content)).extractall(tmp_path)
    return tmp_path / pack.name


def test_an_independent_implementation_finds_the_bag_valid(unzipped: Path) -> None:
    bag = bagit.Bag(str(unzipped))
    bag.validate()
    assert bag.version_info == (1, 0)
    payload = [path for path in (unzipped / "data").rglob("*") if path.is_file()]
    octets = sum(path.stat().st_size for path in payload)
    assert bag.info["Payload-Oxum"] == f"{octets}.{len(payload)}"


def test_known_digest_and_oxum() -> None:
    # RFC 8493, checked with bagit 1.9.0: "hello\n" in data/a.txt.
    bag = make_bag({"a.txt": b"hello\n"}, {}, date(2026, 3, 4), {})
    line = "5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03  data/a.txt\n"
    assert bag["manifest-sha256.txt"].decode() == line
    assert b"Payload-Oxum: 6.1\n" in bag["bag-info.txt"]
    assert bag["bagit.txt"] == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


@pytest.mark.parametrize("manifest", ["manifest-sha256.txt", "tagmanifest-sha256.txt"])
def test_sha256sum_agrees(unzipped: Path, manifest: str) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("sha256sum is missing")
    done = subprocess.run(["sha256sum", "--strict", "-c", manifest], cwd=unzipped, capture_output=True)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("name", ["../a", "a/../b", "/a", "C:a", "a b", ".hidden", "a\n", "é"])
def test_odd_names_are_never_written(name: str) -> None:
    with pytest.raises(ValueError, match="name"):
        make_bag({name: b""}, {}, date(2026, 3, 4), {})


def test_faults_name_the_file() -> None:
    bag = make_bag({"a.txt": b"1", "b.txt": b"2"}, {}, date(2026, 3, 4), {})
    assert bag_faults(bag) == []
    assert bag_faults({**bag, "data/a.txt": b"x"})[0].startswith("data/a.txt: was changed")
    assert bag_faults({**bag, "data/c.txt": b"x"})[0].startswith("data/c.txt: is not listed")
    assert bag_faults({path: text for path, text in bag.items() if path != "data/b.txt"})[0].startswith(
        "data/b.txt"
    )


def test_the_zip_has_no_times_and_is_stored() -> None:
    content = zip_bag({"b": b"2", "a": b"1"}, "bag")
    entries = zipfile.ZipFile(io.BytesIO(content)).infolist()
    assert [entry.filename for entry in entries] == ["bag/a", "bag/b"]
    assert {(entry.date_time[0], entry.compress_type) for entry in entries} == {(1980, zipfile.ZIP_STORED)}


@needs_ssh_keygen
def test_stock_ssh_keygen_accepts_the_pack_and_refuses_a_changed_list(unzipped: Path) -> None:
    command = ["ssh-keygen", "-Y", "verify", "-f", "allowed_signers", "-I", IDENTITY, "-n", NAMESPACE]
    command += ["-s", "tagmanifest-sha256.txt.sig"]
    listed = (unzipped / "tagmanifest-sha256.txt").read_bytes()
    good = subprocess.run(command, cwd=unzipped, input=listed, capture_output=True)
    assert good.returncode == 0, good.stderr
    bad = subprocess.run(
        command, cwd=unzipped, input=bytes([listed[0] ^ 1]) + listed[1:], capture_output=True
    )
    assert bad.returncode != 0


@needs_ssh_keygen
def test_our_signature_is_byte_for_byte_that_of_ssh_keygen(tmp_path: Path) -> None:
    path, message = tmp_path / "key", tmp_path / "message"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", path], check=True)
    message.write_bytes(b"what is signed\n")
    subprocess.run(["ssh-keygen", "-q", "-Y", "sign", "-f", path, "-n", NAMESPACE, message], check=True)
    theirs = (tmp_path / "message.sig").read_bytes()
    ours = load_or_make_key(path)
    assert sign(b"what is signed\n", ours) == theirs
    assert check(b"what is signed\n", theirs) == ours.public
    listed = subprocess.run(["ssh-keygen", "-l", "-f", path], check=True, capture_output=True, text=True)
    assert ours.public.fingerprint in listed.stdout


@needs_ssh_keygen
def test_a_signature_made_for_something_else_is_refused(tmp_path: Path) -> None:
    path, message = tmp_path / "key", tmp_path / "message"
    load_or_make_key(path)
    message.write_bytes(b"text")
    subprocess.run(["ssh-keygen", "-q", "-Y", "sign", "-f", path, "-n", "file", message], check=True)
    with pytest.raises(InputError, match="claim pack"):
        check(b"text", (tmp_path / "message.sig").read_bytes())


def test_every_flipped_bit_of_a_signature_is_noticed(key: SigningKey) -> None:
    armoured = sign(b"text", key)
    for place in range(len(armoured)):
        for bit in range(8):
            changed = bytearray(armoured)
            changed[place] ^= 1 << bit
            with pytest.raises(InputError):
                check(b"text", bytes(changed))


def test_the_key_is_made_once_and_private(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "signing_key"
    first = load_or_make_key(path)
    assert path.stat().st_mode & 0o777 == 0o600
    assert load_or_make_key(path).public == first.public


def test_a_file_that_is_no_key_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "signing_key"
    path.write_text("no key")
    with pytest.raises(InputError, match="move the file away"):
        load_or_make_key(path)
    assert path.read_text() == "no key"


def test_digest_is_that_of_hashlib() -> None:
    assert sha256(b"") == hashlib.sha256(b"").hexdigest()
