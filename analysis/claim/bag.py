"""A BagIt 1.0 bag (RFC 8493) as a mapping of names to bytes, and as one zip file.

A bag here is a plain ``dict[str, bytes]``: paths below the bag's folder, with ``/`` between names. The
zip is *stored*, not deflated: the same bag then gives the same bytes on every machine, whatever its
compression library, and nothing inside can unfold to more than it shows.
"""

from __future__ import annotations

import hashlib
import io
import re
import zipfile
from collections.abc import Mapping
from datetime import date

from config.errors import InputError

Files = dict[str, bytes]

BAGIT_TXT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
SIGNATURE = f"{TAG_MANIFEST}.sig"
# No path needs escaping in a manifest, in a shell or on any file system; no name is hidden or a device path.
SAFE_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,99}")
MANIFEST_LINE = re.compile(r"([0-9a-f]{64}) [ *]?([^\r\n]+)")
ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip can say: it stands for "no time"
UNIX, PLAIN_FILE = 3, 0o100644 << 16


def sha256(content: bytes) -> str:
    """The digest of a manifest line: 64 lower-case hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def is_safe_path(path: str) -> bool:
    """Whether every part of `path` is a plain name of ``[A-Za-z0-9._-]`` (no ``..``, root or drive)."""
    return all(SAFE_NAME.fullmatch(part) for part in path.split("/"))


def manifest(files: Mapping[str, bytes]) -> bytes:
    """The manifest of `files`: digest, two spaces, path; a line each, sorted by path."""
    return "".join(f"{sha256(files[path])}  {path}\n" for path in sorted(files)).encode()


def read_manifest(text: bytes, name: str) -> dict[str, str]:
    """Path to digest, as a manifest lists them.

    Raises:
        InputError: a line is no manifest line, or a path stands there twice or is not a safe one.
    """
    listed: dict[str, str] = {}
    for number, line in enumerate(text.decode("utf-8", "replace").splitlines(), start=1):
        match = MANIFEST_LINE.fullmatch(line)
        where = f"{name}, line {number}"
        if match is None or not is_safe_path(match[2]):
            raise InputError(
                f"{line[:80]!r} is not a manifest line", where=where, expected="SHA-256 and path"
            )
        if match[2] in listed:
            raise InputError(f"{match[2]} is listed twice", where=where)
        listed[match[2]] = match[1]
    return listed


def make_bag(
    payload: Mapping[str, bytes], info: Mapping[str, str], day: date, tags: Mapping[str, bytes]
) -> Files:
    """The whole bag around `payload` (paths below ``data/``), without a signature.

    Args:
        payload: what is handed over; paths relative to ``data/``.
        info: lines of ``bag-info.txt`` besides date and size; line breaks in a value become spaces.
        day: the bagging date.
        tags: further tag files beside the payload, covered by the tag manifest.
    """
    data = {f"data/{path}": content for path, content in payload.items()}
    unsafe = [path for path in (*data, *tags) if not is_safe_path(path)]
    if unsafe:
        raise ValueError(f"not a name for a pack: {unsafe[0]!r}")
    octets = sum(len(content) for content in data.values())
    lines = {**info, "Bagging-Date": day.isoformat(), "Payload-Oxum": f"{octets}.{len(data)}"}
    tag_files: Files = {
        **tags,
        "bagit.txt": BAGIT_TXT,
        "bag-info.txt": "".join(f"{key}: {' '.join(text.split())}\n" for key, text in lines.items()).encode(),
        MANIFEST: manifest(data),
    }
    return {**data, **tag_files, TAG_MANIFEST: manifest(tag_files)}


def bag_faults(bag: Mapping[str, bytes]) -> list[str]:
    """What keeps `bag` from being complete and valid, a sentence each that names the file; else empty."""
    if bag.get("bagit.txt") != BAGIT_TXT:
        return ["bagit.txt: is missing or does not say BagIt 1.0, UTF-8"]
    faults: list[str] = []
    data = {path for path in bag if path.startswith("data/")}
    # The tag manifest cannot list itself, and the signature over it cannot be listed in it.
    tags = set(bag) - data - {TAG_MANIFEST, SIGNATURE}
    for name, present in ((MANIFEST, data), (TAG_MANIFEST, tags)):
        if name not in bag:
            faults.append(f"{name}: is missing")
            continue
        try:
            listed = read_manifest(bag[name], name)
        except InputError as error:
            faults.append(error.line())
            continue
        faults += [f"{path}: is listed in {name} but missing" for path in sorted(listed.keys() - present)]
        faults += [f"{path}: is not listed in {name}" for path in sorted(present - listed.keys())]
        faults += [
            f"{path}: was changed (its SHA-256 is not the one in {name})"
            for path in sorted(present & listed.keys())
            if sha256(bag[path]) != listed[path]
        ]
    return faults


def zip_bag(bag: Mapping[str, bytes], folder: str) -> bytes:
    """One zip file that holds the bag in `folder`: sorted names, no times, stored. Same bag, same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for path in sorted(bag):
            entry = zipfile.ZipInfo(f"{folder}/{path}", ZIP_TIME)
            entry.create_system, entry.external_attr = UNIX, PLAIN_FILE
            archive.writestr(entry, bag[path])
    return buffer.getvalue()
