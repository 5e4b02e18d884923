"""Check bytes of binary frames.

The CRCs are those of the public catalogue of parametrised CRCs: CRC-8/SMBUS (polynomial 0x07),
CRC-16/MODBUS (0x8005 reflected, start 0xFFFF, sent low byte first) and CRC-16/IBM-3740, known as
CCITT with start 0xFFFF (0x1021, sent high byte first).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import reduce
from operator import xor

Check = Callable[[bytes], bytes]


def sum8(data: bytes) -> bytes:
    """The sum of all bytes, modulo 256."""
    return bytes([sum(data) & 0xFF])


def xor8(data: bytes) -> bytes:
    """All bytes exclusive-ored."""
    return bytes([reduce(xor, data, 0)])


def _table(step: Callable[[int], int], first: Iterable[int]) -> tuple[int, ...]:
    def eight(value: int) -> int:
        for _ in range(8):
            value = step(value)
        return value

    return tuple(eight(value) for value in first)


_CRC8 = _table(lambda v: (v << 1 ^ 0x07 if v & 0x80 else v << 1) & 0xFF, range(256))
_MODBUS = _table(lambda v: v >> 1 ^ 0xA001 if v & 1 else v >> 1, range(256))
_CCITT = _table(lambda v: (v << 1 ^ 0x1021 if v & 0x8000 else v << 1) & 0xFFFF, range(0, 1 << 16, 256))


def crc8(data: bytes) -> bytes:
    """CRC-8/SMBUS."""
    crc = 0
    for byte in data:
        crc = _CRC8[crc ^ byte]
    return bytes([crc])


def crc16_modbus(data: bytes) -> bytes:
    """CRC-16/MODBUS, low byte first as on its wire."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _MODBUS[(crc ^ byte) & 0xFF]
    return crc.to_bytes(2, "little")


def crc16_ccitt(data: bytes) -> bytes:
    """CRC-16/IBM-3740, high byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc << 8) & 0xFFFF ^ _CCITT[crc >> 8 ^ byte]
    return crc.to_bytes(2, "big")


CHECKS: dict[str, Check] = {
    "sum8": sum8,
    "xor8": xor8,
    "crc8": crc8,
    "crc16-modbus": crc16_modbus,
    "crc16-ccitt": crc16_ccitt,
}
