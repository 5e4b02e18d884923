"""Reads a claim pack that somebody else made: from a zip or a folder, trusting nothing it says.

Nothing is written to disk and nothing is taken on the archive's word: names, kinds, sizes and counts are
checked before and while the bytes are read.
"""

from __future__ import annotations

import stat
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path

from analysis.claim.bag import Files, is_safe_path, zip_bag
from config.errors import InputError

MB = 1_000_000
LARGEST_FILE = 64 * MB
LARGEST_PACK = 256 * MB
MOST_FILES = 2_000
DEEPEST = 4  # folder of the bag, data, traces, file
BAG_MARKS = ("bagit.txt", "manifest-sha256.txt")  # without one a changed pack, without both none
EXPECTED = "a claim pack: one zip file, or the folder that was in it"


@dataclass(frozen=True, slots=True)
class Unpacked:
    """The files of a pack, by their path below its folder.

    Attributes:
        as_written: false when the zip is not byte for byte as Hubproof writes it (it was packed anew, or
            bytes outside the files were changed); true for a folder.
        damaged: files whose bytes do not fit what the zip says of them; not among `files`.
    """

    files: Files
    as_written: bool
    damaged: tuple[str, ...] = ()


def unpack(path: Path) -> Unpacked:
    """The files of the pack at `path`.

    Raises:
        InputError: it is no pack, or holds what a pack never holds (links, odd names, too much).
    """
    where = str(path)
    try:
        if path.is_dir():
            return Unpacked(_from_folder(path), as_written=True)
        if path.stat().st_size > LARGEST_PACK:
            raise InputError(
                "is too large for a claim pack", where=where, expected=f"up to {LARGEST_PACK} bytes"
            )
        return _from_zip(path)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=where, expected=EXPECTED) from error
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        # What zipfile raises for a damaged, encrypted or oddly packed archive.
        raise InputError(f"cannot be unpacked: {error}", where=where, expected=EXPECTED) from error


def _from_zip(path: Path) -> Unpacked:
    folders: set[str] = set()
    files: Files = {}
    damaged: list[str] = []
    total = 0
    with zipfile.ZipFile(path) as archive:
        entries = archive.infolist()
        _count(len(entries), path)
        for entry in entries:
            if entry.is_dir():
                continue
            folder, _, inner = entry.filename.partition("/")
            _check_entry(entry, inner, path)
            if inner in files:
                raise InputError(f"holds {inner} twice", where=str(path))
            folders.add(folder)
            try:
                with archive.open(entry) as stream:
                    content = stream.read(LARGEST_FILE + 1)
            except (zipfile.BadZipFile, zlib.error):
                damaged.append(inner)
                continue
            total += len(content)
            if len(content) != entry.file_size or total > LARGEST_PACK:
                raise InputError(f"{inner} has not the size that it declares", where=str(path))
            files[inner] = content
    if len(folders) != 1:
        raise InputError(
            f"holds {len(folders)} folders", where=str(path), expected="one, with the pack in it"
        )
    if damaged:
        return Unpacked(files, as_written=False, damaged=tuple(damaged))
    return Unpacked(files, as_written=zip_bag(files, folders.pop()) == path.read_bytes())


def _check_entry(entry: zipfile.ZipInfo, inner: str, path: Path) -> None:
    mode = entry.external_attr >> 16
    plain = stat.S_IFMT(mode) in (0, stat.S_IFREG)
    if not plain or not is_safe_path(entry.filename) or not inner or entry.filename.count("/") >= DEEPEST:
        raise InputError(
            f"holds {entry.filename[:80]!r}, which no claim pack holds",
            where=str(path),
            expected="plain files with plain names",
        )
    if entry.file_size > LARGEST_FILE:
        raise InputError(f"{inner} declares {entry.file_size} bytes, which is too large", where=str(path))


def _from_folder(path: Path) -> Files:
    if not any((path / name).exists() for name in BAG_MARKS):
        raise InputError("is the folder of no pack", where=str(path), expected=EXPECTED)
    files: Files = {}
    waiting = [path]
    total = 0
    while waiting:
        for item in sorted(waiting.pop().iterdir()):
            inner = item.relative_to(path).as_posix()
            # Judged without following links, so that nothing outside the folder is ever read.
            kind = item.lstat()
            if not is_safe_path(inner) or inner.count("/") >= DEEPEST - 1:
                raise InputError(f"holds {inner[:80]!r}, which no claim pack holds", where=str(path))
            if stat.S_ISDIR(kind.st_mode):
                waiting.append(item)
                continue
            total += kind.st_size
            if not stat.S_ISREG(kind.st_mode) or kind.st_size > LARGEST_FILE or total > LARGEST_PACK:
                raise InputError(f"{inner} is no plain file of a bearable size", where=str(path))
            files[inner] = item.read_bytes()
            _count(len(files), path)
    return files


def _count(number: int, path: Path) -> None:
    if number > MOST_FILES:
        raise InputError(f"holds {number} files", where=str(path), expected=f"up to {MOST_FILES}")
