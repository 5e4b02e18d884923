"""Takes the metadata off a photo: place, time, device, thumbnails, texts. The picture itself is not touched.

JPEG: ITU-T T.81 annex B (segments); Exif orientation: tag 0x0112 of TIFF 6.0. PNG: ISO/IEC 15948 (chunks).
"""

from __future__ import annotations

import struct

from config.errors import InputError

PNG = b"\x89PNG\r\n\x1a\n"
_JPEG = b"\xff\xd8"
_SCAN, _END, _EXIF = 0xDA, 0xD9, 0xE1
# APP0 is the JFIF header (its thumbnail goes with _plain_jfif), APP14 tells how colours are coded.
_KEPT_APP = {0xE0, 0xEE}
_KEPT_CHUNKS = {b"IHDR", b"PLTE", b"tRNS", b"gAMA", b"sRGB", b"IDAT", b"IEND"}
_ORIENTATION = 0x0112
_BARE = {0x01, *range(0xD0, 0xD8)}  # markers without a length


def strip_photo(content: bytes, *, where: str = "photo") -> tuple[bytes, str]:
    """The picture without metadata, and the file ending that fits it (``jpg`` or ``png``).

    Which way up a JPEG is shown (its Exif orientation) is kept, as the only tag.

    Raises:
        InputError: it is neither JPEG nor PNG, or is cut off.
    """
    try:
        if content.startswith(_JPEG):
            return _strip_jpeg(content), "jpg"
        if content.startswith(PNG):
            return _strip_png(content), "png"
    except (struct.error, IndexError) as error:
        raise InputError("the picture is cut off", where=where) from error
    raise InputError("is no picture that can be handed over", where=where, expected="JPEG or PNG")


def _strip_jpeg(content: bytes) -> bytes:
    kept = [_JPEG]
    orientation = 1
    at = 2
    while True:
        while content[at] == 0xFF and content[at + 1] == 0xFF:
            at += 1  # fill bytes
        mark, code = content[at], content[at + 1]
        if mark != 0xFF:
            raise struct.error("no marker")
        if code == _END:
            kept.append(b"\xff\xd9")
            break
        if code in _BARE:
            at += 2
            continue
        (length,) = struct.unpack_from(">H", content, at + 2)
        segment = content[at : at + 2 + length]
        if len(segment) != 2 + length or length < 2:
            raise struct.error("cut off")
        at += 2 + length
        if code == _SCAN:
            end = _scan_end(content, at)
            kept.append(segment + content[at:end])
            at = end
        elif code == _EXIF and segment[4:10] == b"Exif\0\0":
            orientation = _exif_orientation(segment[10:])
        elif not (0xE0 <= code <= 0xEF or code == 0xFE) or code in _KEPT_APP:
            kept.append(_plain_jfif(segment))
    if orientation != 1:
        kept.insert(1, _orientation_segment(orientation))
    return b"".join(kept)


def _scan_end(content: bytes, at: int) -> int:
    """Where the entropy-coded data ends: at the next marker that is no stuffing and no restart."""
    while True:
        at = content.find(b"\xff", at)
        if at < 0 or at + 1 >= len(content):
            raise struct.error("cut off")
        if content[at + 1] not in (0x00, *range(0xD0, 0xD8)):
            return at
        at += 2


def _plain_jfif(segment: bytes) -> bytes:
    """The JFIF header without its thumbnail; other segments as they are; JFIF extensions become nothing."""
    if segment[1] != 0xE0:
        return segment
    if segment[4:9] != b"JFIF\0":
        return b""
    return b"\xff\xe0" + struct.pack(">H", 16) + segment[4:16] + b"\0\0"


def _exif_orientation(tiff: bytes) -> int:
    """Orientation 1 to 8 of the first directory; 1 when there is none or it cannot be read."""
    order = {b"II": "<", b"MM": ">"}.get(tiff[:2])
    if order is None or len(tiff) < 8:
        return 1
    (start,) = struct.unpack_from(f"{order}I", tiff, 4)
    if start + 2 > len(tiff):
        return 1
    (count,) = struct.unpack_from(f"{order}H", tiff, start)
    for number in range(count):
        entry = start + 2 + 12 * number
        if entry + 12 > len(tiff):
            return 1
        tag, _, _, value = struct.unpack_from(f"{order}HHIH", tiff, entry)
        if tag == _ORIENTATION and 1 <= value <= 8:
            return int(value)
    return 1


def _orientation_segment(orientation: int) -> bytes:
    tiff = b"MM\0\x2a\0\0\0\x08" + struct.pack(">HHHIHHI", 1, _ORIENTATION, 3, 1, orientation, 0, 0)
    body = b"Exif\0\0" + tiff
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def _strip_png(content: bytes) -> bytes:
    kept = [PNG]
    at = len(PNG)
    while True:
        length, kind = struct.unpack_from(">I4s", content, at)
        chunk = content[at : at + 12 + length]
        if len(chunk) != 12 + length:
            raise struct.error("cut off")
        if kind in _KEPT_CHUNKS:
            kept.append(chunk)
        if kind == b"IEND":
            return b"".join(kept)
        at += 12 + length
