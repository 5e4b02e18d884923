"""Photos of jobs as files beside the record: kept as they came, named by their SHA-256."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from analysis.record.job_values import Attachment
from config.errors import InputError, StoreError

FOLDER = "photos"
LARGEST = 30_000_000
_KINDS = {b"\xff\xd8\xff": ("image/jpeg", "jpg"), b"\x89PNG\r\n\x1a\n": ("image/png", "png")}


@dataclass(frozen=True, slots=True)
class KeptPhoto:
    """A photo that is on the disk: its SHA-256, hexadecimal, its kind, and how many bytes."""

    sha256: str
    media_type: str
    size: int


def keep_photo(data: Path, content: bytes, *, where: str) -> KeptPhoto:
    """Keep the bytes of a photo as they came, whole or not at all; the same photo is kept once.

    Its metadata stays in this private file and is taken off when the photo is handed over.

    Args:
        data: the station's folder.
        content: the file's bytes.
        where: names it in errors.

    Raises:
        InputError: it is neither JPEG nor PNG, or too large.
        StoreError: the disk refuses.
    """
    media_type, ending = _kind(content, where)
    if len(content) > LARGEST:
        raise InputError(
            f"{len(content)} bytes are too many", where=where, expected=f"at most {LARGEST} bytes"
        )
    kept = KeptPhoto(hashlib.sha256(content).hexdigest(), media_type, len(content))
    folder = data / FOLDER
    path = folder / f"{kept.sha256}.{ending}"
    draft = folder / f".{kept.sha256}.new"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, path)
    except OSError as error:
        raise StoreError(f"the photo cannot be kept: {error.strerror}", where=str(folder)) from error
    return kept


def read_photo(data: Path, photo: Attachment) -> bytes:
    """The bytes of a kept photo, checked against its SHA-256.

    Raises:
        StoreError: the file is gone, or is not the one that was kept.
    """
    path = photo_path(data, photo)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise StoreError(f"the photo {photo.name!r} is not there", where=str(path)) from error
    if hashlib.sha256(content).hexdigest() != photo.sha256:
        raise StoreError(f"the photo {photo.name!r} was changed after it was kept", where=str(path))
    return content


def photo_path(data: Path, photo: Attachment) -> Path:
    """Where a kept photo lies."""
    ending = next(ending for media_type, ending in _KINDS.values() if media_type == photo.media_type)
    return data / FOLDER / f"{photo.sha256}.{ending}"


def _kind(content: bytes, where: str) -> tuple[str, str]:
    for start, kind in _KINDS.items():
        if content.startswith(start):
            return kind
    raise InputError("is no photo", where=where, expected="a JPEG or PNG file")
