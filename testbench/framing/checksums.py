"""Checksums of line protocols.

Sources: MODBUS over Serial Line V1.02, 6.2.1 (LRC) and 6.2.2 (CRC-16), from memory; the exclusive or of all bytes is
common practice.
"""

from collections.abc import Iterator
from enum import StrEnum


class ChecksumKind(StrEnum):
    """How a checksum is computed."""

    LRC = "lrc"
    """Two's complement of the sum of all bytes, 8 bits."""
    XOR = "xor"
    """Exclusive or of all bytes, 8 bits."""
    CRC16_MODBUS = "crc16-modbus"
    """Polynomial 0x8005 reflected, start 0xFFFF, 16 bits."""

    @property
    def hex_digits(self) -> int:
        """How many hexadecimal digits write it."""
        return 4 if self is ChecksumKind.CRC16_MODBUS else 2

    def of(self, data: bytes) -> int:
        """The checksum of bytes."""
        match self:
            case ChecksumKind.LRC:
                return -sum(data) & 0xFF
            case ChecksumKind.XOR:
                found = 0
                for byte in data:
                    found ^= byte
                return found
            case ChecksumKind.CRC16_MODBUS:
                return crc16(data)


def _table() -> Iterator[int]:
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
        yield crc


_CRC = tuple(_table())


def crc16(data: bytes) -> int:
    """CRC-16 as Modbus computes it; on the wire its low byte goes first."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC[(crc ^ byte) & 0xFF]
    return crc
