"""The one room for calls that differ between operating systems."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import importlib
import os
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import IO, Any

WINDOWS = sys.platform == "win32"
TERMINAL_ERRORS: tuple[type[Exception], ...] = () if WINDOWS else (importlib.import_module("termios").error,)
"""What a serial port that vanishes throws besides OSError: pyserial lets it out where it empties a buffer."""
KEY_LOOK_S = 0.02


def owner_only(path: str, flags: int) -> int:
    """Open `path` so that nobody but its owner can read it; for `open(..., opener=owner_only)`.

    A symbolic link is not followed: in a folder that others may write to, one could lead anywhere.
    """
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o600)


def replace_private(path: Path, text: str) -> None:
    """Write a file whole or not at all, for its owner only, whatever stands there by that name.

    Raises:
        OSError: the folder or the disk refuses.
    """
    fresh = path.with_name(f"{path.name}.new")
    fresh.unlink(missing_ok=True)  # of a start that was cut off, or planted
    with open(fresh, "x", encoding="utf-8", opener=owner_only) as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(fresh, path)


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


def may_open(path: str) -> bool:
    """Whether this user may read and write the port; where the system does not tell, it is taken to be so."""
    return WINDOWS or not Path(path).exists() or os.access(path, os.R_OK | os.W_OK)


def who_holds(path: str) -> str | None:
    """The program that has a port open, as "name, process 12"; None where the system does not tell.

    Only Linux tells, and only of programs of this user (or to the administrator).
    """
    try:
        wanted = os.path.realpath(path)
        for process in Path("/proc").glob("[0-9]*"):
            if int(process.name) == os.getpid():
                continue
            with contextlib.suppress(OSError):  # another user's, or gone since
                for handle in (process / "fd").iterdir():
                    if os.path.realpath(handle) == wanted:
                        name = (process / "comm").read_text(encoding="utf-8").strip()
                        return f"{name}, process {process.name}"
    except OSError:
        return None
    return None


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


@contextlib.asynccontextmanager
async def keys_pressed() -> AsyncIterator[asyncio.Queue[str]]:
    """The keys that are pressed in this terminal, one by one, without waiting for enter.

    A foot switch that stands for a keyboard presses keys too. Without a terminal no key ever comes.
    """
    keys: asyncio.Queue[str] = asyncio.Queue()
    if not sys.stdin.isatty():
        yield keys
    elif WINDOWS:
        async with _windows_keys(keys):
            yield keys
    else:
        with _posix_keys(keys):
            yield keys


@contextlib.contextmanager
def _posix_keys(keys: asyncio.Queue[str]) -> Iterator[None]:
    termios: Any = importlib.import_module("termios")
    tty: Any = importlib.import_module("tty")
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    loop = asyncio.get_running_loop()

    def read() -> None:
        pressed = os.read(descriptor, 64).decode("utf-8", "ignore")
        if not pressed:  # the terminal was closed
            loop.remove_reader(descriptor)
        for key in pressed:
            keys.put_nowait(key)

    tty.setcbreak(descriptor)
    loop.add_reader(descriptor, read)
    try:
        yield
    finally:
        loop.remove_reader(descriptor)
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


@contextlib.asynccontextmanager
async def _windows_keys(keys: asyncio.Queue[str]) -> AsyncIterator[None]:
    msvcrt: Any = importlib.import_module("msvcrt")

    async def look() -> None:
        while True:
            while msvcrt.kbhit():
                keys.put_nowait(msvcrt.getwch())
            await asyncio.sleep(KEY_LOOK_S)

    looking = asyncio.create_task(look())
    try:
        yield
    finally:
        looking.cancel()
        await asyncio.wait([looking])
