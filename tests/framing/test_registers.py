"""Registers: every type in every byte order, exact rounding, and what is no value."""

import struct
from decimal import ROUND_HALF_EVEN, Context, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from testbench.framing.readings import Meaning, Reading, RejectReason
from testbench.framing.registers import ByteOrder, RegisterMap, RegisterType, RegisterValue, StatusRegister

ORACLE = ModbusClientMixin.DATATYPE


def laid_out(code: str, value: float, order: str) -> tuple[int, ...]:
    """The registers of a value whose bytes are sent in an order of the letters A (highest) to D."""
    big_endian = struct.pack(f">{code}", value)
    letters = order[: len(big_endian)] if len(big_endian) == 4 else order[:2]
    data = bytes(big_endian["ABCD".index(letter)] for letter in letters)
    return struct.unpack(f">{len(data) // 2}H", data)


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize(
    ("kind", "code", "value", "counts"),
    [
        ("float32", "f", 250.125, 25012),  # a tie, to the even neighbour
        ("float32", "f", 250.375, 25038),  # a tie, to the even neighbour
        ("float32", "f", -0.0, 0),
        ("int32", "i", -123456, -123456),
        ("uint32", "I", 4_000_000_000, 4_000_000_000),
    ],
)
def test_a_value_of_two_registers_in_all_four_orders(order: str, kind: str, code: str, value: float, counts: int):
    """The letters say where the bytes go, A being the highest (common practice)."""
    value_at_1 = RegisterValue(1, RegisterType(kind), ByteOrder(order), decimals=2)
    assert RegisterMap((value_at_1,)).read((0xDEAD, *laid_out(code, value, order), 0xBEEF)) == Reading(counts)


@pytest.mark.parametrize("order", ["ABCD", "BADC"])
def test_a_value_of_one_register_in_both_orders(order: str):
    """250 bar/10 as int16 and as uint16."""
    registers = laid_out("h", -500, order)
    assert RegisterValue(0, RegisterType.INT16, ByteOrder(order)).read(registers) == -500
    assert RegisterValue(0, RegisterType.UINT16, ByteOrder(order)).read(registers) == 65036


def test_known_bytes_of_a_float():
    """IEEE 754: 1.0 is 3F800000, 0.1 rounded to single is 0x3DCCCCCD = 0.100000001490116…"""
    tenth = RegisterValue(0, RegisterType.FLOAT32, decimals=1)
    assert tenth.read((0x3F80, 0x0000)) == 10
    assert tenth.read((0x3DCC, 0xCCCD)) == 1


@given(value=st.floats(width=32, allow_nan=False, allow_infinity=False), places=st.integers(0, 6))
def test_floats_are_rounded_exactly(value: float, places: int):
    """Against the decimal module: the exact binary value, half to even. pymodbus reads the same number."""
    registers = laid_out("f", value, "ABCD")
    found = RegisterValue(0, RegisterType.FLOAT32, decimals=places).read(registers)
    assert ModbusClientMixin.convert_from_registers(list(registers), ORACLE.FLOAT32) == value
    exact = Context(prec=200, rounding=ROUND_HALF_EVEN)
    assert found == int(exact.to_integral_value(exact.scaleb(Decimal(value), places)))


@given(value=st.integers(-(2**31), 2**31 - 1), order=st.sampled_from(["big", "little"]))
def test_integers_in_both_word_orders_against_an_independent_reader(value: int, order: str):
    """pymodbus 3.16.1 knows ABCD ("big") and CDAB ("little")."""
    registers = ModbusClientMixin.convert_to_registers(value, ORACLE.INT32, word_order=order)
    mine = ByteOrder.ABCD if order == "big" else ByteOrder.CDAB
    assert RegisterValue(0, RegisterType.INT32, mine).read(registers) == value


@pytest.mark.parametrize(
    ("registers", "found"), [((0x7FC0, 0), "nan"), ((0xFFC0, 1), "nan"), ((0x7F80, 0), "inf"), ((0xFF80, 0), "-inf")]
)
def test_what_is_not_finite_is_refused(registers: tuple[int, int], found: str):
    """A device without a sensor sends NaN."""
    one = RegisterMap((RegisterValue(0, RegisterType.FLOAT32, decimals=2),))
    assert one.read(registers) == (RejectReason.NOT_FINITE, f"register 0 of the block holds {found}")


def test_an_integer_is_scaled_by_a_whole_factor():
    """Steps of 0.05 with 2 decimals: 5 counts a unit. Nothing is rounded."""
    assert RegisterValue(0, RegisterType.INT16, factor=5).read((0xFFFF,)) == -5


def test_an_integer_that_stands_for_no_value_is_a_fault():
    """Named in the settings; its neighbour is a value."""
    value = RegisterValue(0, RegisterType.INT16, no_value=frozenset({32767}))
    found = RegisterMap((value,)).read((32767,))
    assert found == (RejectReason.FAULT, "register 0 of the block holds 32767, which stands for no value")
    assert value.read((32766,)) == 32766


@pytest.mark.parametrize(
    ("word", "reason"),
    [
        (0b0000, None),
        (0b1000, None),  # outside the mask
        (0b0001, RejectReason.OVER_RANGE),
        (0b0010, RejectReason.UNDER_RANGE),
        (0b0100, RejectReason.FAULT),
        (0b0101, RejectReason.FAULT),  # in no table
    ],
)
def test_the_status_decides_on_all_values(word: int, reason: RejectReason | None):
    """A code that nobody listed is a fault."""
    codes = {0: Meaning.GOOD, 1: Meaning.OVER_RANGE, 2: Meaning.UNDER_RANGE, 4: Meaning.FAULT}
    values = (RegisterValue(0, RegisterType.INT16), RegisterValue(2, RegisterType.INT16))
    found = RegisterMap(values, StatusRegister(1, codes, mask=7)).read((250, word, 20))
    assert found == (Reading(250, (20,)) if reason is None else (reason, f"status 0x{word & 7:04X}"))


def test_one_bad_value_spoils_the_block():
    """All values of an answer are of one moment, or there are none."""
    values = (RegisterValue(0, RegisterType.INT16), RegisterValue(1, RegisterType.FLOAT32))
    assert RegisterMap(values).read((250, 0x7FC0, 0))[0] is RejectReason.NOT_FINITE
