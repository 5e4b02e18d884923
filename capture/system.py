"""The one room for calls that differ between operating systems."""

from __future__ import annotations

import errno
import importlib
import os
import sys
from pathlib import Path
from typing import IO, Any

WINDOWS = sys.platform == "win32"


def owner_only(path: str, flags: int) -> int:
    """Open `path` so that nobody but its owner can read it; for `open(..., opener=owner_only)`."""
    return os.open(path, flags, 0o600)


def lock_file(path: Path) -> IO[str] | None:
    """Hold `path` for this process until the file is closed or the process dies.

    Returns:
        The open file, or None when another process holds it.
    """
    file = open(path, "a+", encoding="utf-8", opener=owner_only)  # noqa: SIM115 (held by the caller)
    try:
        if WINDOWS:
            msvcrt: Any = importlib.import_module("msvcrt")
            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            fcntl: Any = importlib.import_module("fcntl")
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        file.close()
        if error.errno in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            return None
        raise
    return file


def permission_advice(path: str) -> str:
    """What to do on this system when `path` may not be opened."""
    if WINDOWS or not Path(path).exists():
        return "ask the administrator of this computer for access to the port"
    grp: Any = importlib.import_module("grp")
    number = Path(path).stat().st_gid
    try:
        group = grp.getgrgid(number).gr_name
    except KeyError:
        group = str(number)
    if group == "root":
        return f"{path} belongs to root alone: ask the administrator for a rule that opens it to you"
    return f"join the group {group}: sudo usermod -aG {group} $USER, then log out and in again"
