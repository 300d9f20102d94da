"""Checksums against the specification's example, the catalogue's check value and an independent implementation."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.ascii import FramerAscii
from pymodbus.framer.rtu import FramerRTU

from testbench.framing.checksums import ChecksumKind, crc16

CRC, LRC, XOR = ChecksumKind.CRC16_MODBUS, ChecksumKind.LRC, ChecksumKind.XOR


def test_the_example_of_the_serial_line_specification():
    """MODBUS over Serial Line V1.02, 6.2.2 (from memory): unit 02, function 07 give 0x1241, sent 41 12."""
    assert crc16(bytes.fromhex("0207")) == 0x1241
    assert crc16(bytes.fromhex("02074112")) == 0


def test_the_check_value_of_the_catalogue():
    """CRC-16/MODBUS over "123456789" is 0x4B37: RevEng catalogue of parametrised CRC algorithms, from memory."""
    assert crc16(b"123456789") == 0x4B37


@pytest.mark.parametrize(
    ("kind", "data", "expected"),
    [
        (LRC, b"\x01\x03\x00\x00\x00\x01", 0xFB),  # 256 − 5, by the definition in 6.2.1
        (LRC, b"", 0),
        (LRC, b"\xff\x01", 0),
        (XOR, b"\x01\x03\x00\x00\x00\x01", 0x03),
        (XOR, b"", 0),
        (CRC, b"", 0xFFFF),
    ],
)
def test_values_by_hand(kind: ChecksumKind, data: bytes, expected: int):
    """From the definitions alone."""
    assert kind.of(data) == expected


@given(st.binary(max_size=300))
def test_against_an_independent_implementation(data: bytes):
    """pymodbus 3.16.1 computes the CRC (bytes swapped, for the wire) and the LRC of its own accord."""
    assert crc16(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")
    assert LRC.of(data) == FramerAscii.compute_LRC(data)


@given(data=st.binary(min_size=1, max_size=40), bit=st.integers(0, 319))
def test_one_flipped_bit_is_always_found(data: bytes, bit: int):
    """By all three."""
    place = bit % (8 * len(data))
    changed = bytearray(data)
    changed[place // 8] ^= 1 << place % 8
    assert all(kind.of(data) != kind.of(bytes(changed)) for kind in ChecksumKind)
