"""The station's folder where others may write too: what they planted is replaced, never followed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from capture.folder import DAEMON, LOCK, DaemonPlace, Owned, read_place, write_place
from capture.system import replace_private
from config.errors import StoreError

PLACE = DaemonPlace("http://127.0.0.1:4870", 7, "1")

pytestmark = pytest.mark.skipif(os.name != "posix", reason="links and modes of POSIX")


def test_a_planted_link_is_replaced_and_what_it_names_stays(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("of its owner")
    for name in (DAEMON, f"{DAEMON}.new"):
        (tmp_path / name).symlink_to(precious)
    write_place(tmp_path, PLACE)
    assert precious.read_text() == "of its owner"
    assert read_place(tmp_path) == PLACE
    assert not (tmp_path / DAEMON).is_symlink()


def test_what_was_left_open_to_all_is_not(tmp_path: Path) -> None:
    file = tmp_path / "devices.json"
    for name in (file, tmp_path / "devices.json.new"):
        name.write_text("[]")
        name.chmod(0o666)
    replace_private(file, "[1]")
    assert (file.read_text(), file.stat().st_mode & 0o777) == ("[1]", 0o600)


def test_a_lock_that_is_a_link_or_no_file_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "link").mkdir()
    (tmp_path / "link" / LOCK).symlink_to(tmp_path / "anything")
    (tmp_path / "pipe").mkdir()
    os.mkfifo(tmp_path / "pipe" / LOCK)
    for name in ("link", "pipe"):
        with pytest.raises(StoreError) as told, Owned(tmp_path / name):
            pass
        assert "None" not in told.value.line()
    assert not (tmp_path / "anything").exists()
