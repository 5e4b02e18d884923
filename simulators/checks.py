"""Check bytes of frames, bit by bit as the definitions read: slow, and a second opinion on any table.

Parameters from the public catalogue of parametrised CRCs (from memory); the tests hold them against the
catalogue's published check values over ``123456789``.
"""

from __future__ import annotations


def crc(data: bytes, *, width: int, polynomial: int, start: int, reflected: bool) -> int:
    """A CRC without final exclusive-or.

    Args:
        data: the bytes covered.
        width: bits, 8 or 16.
        polynomial: in normal notation, highest power left out.
        start: what the register holds at first.
        reflected: bytes enter lowest bit first and the register is read mirrored.
    """
    register, top = start, 1 << (width - 1)
    for byte in data:
        bits = range(8) if reflected else range(7, -1, -1)
        for bit in bits:
            feed = bool(byte >> bit & 1) != bool(register & top)
            register = (register << 1) & ((1 << width) - 1)
            if feed:
                register ^= polynomial
    return int(f"{register:0{width}b}"[::-1], 2) if reflected else register


def check_bytes(kind: str, data: bytes) -> bytes:
    """The check of `data` as it stands in a frame.

    Raises:
        ValueError: no such check.
    """
    match kind:
        case "sum8":
            return bytes([sum(data) % 256])
        case "xor8":
            value = 0
            for byte in data:
                value ^= byte
            return bytes([value])
        case "crc8":
            return crc(data, width=8, polynomial=0x07, start=0, reflected=False).to_bytes(1, "big")
        case "crc16-modbus":
            value = crc(data, width=16, polynomial=0x8005, start=0xFFFF, reflected=True)
            return value.to_bytes(2, "little")
        case "crc16-ccitt":
            value = crc(data, width=16, polynomial=0x1021, start=0xFFFF, reflected=False)
            return value.to_bytes(2, "big")
    raise ValueError(f"no check is called {kind!r}")
