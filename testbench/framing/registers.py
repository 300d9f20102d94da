"""What the 16-bit registers of an instrument mean: whole numbers, float32 in four byte orders, a status.

Values become whole counts: integers times a whole factor, floats by their exact value rounded half to even.
"""

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from testbench.framing.readings import Meaning, Reading, RejectReason, counts_of, reading


class RegisterType(StrEnum):
    """How a value lies in its registers."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"

    @property
    def size(self) -> int:
        """How many registers it takes."""
        return 1 if self in {RegisterType.INT16, RegisterType.UINT16} else 2


class ByteOrder(StrEnum):
    """Where the bytes of a value lie; A is the highest. One register knows AB and BA, the first half of these."""

    ABCD = "ABCD"
    """Big-endian, high word first: the order of the Modbus specification carried on to two registers."""
    CDAB = "CDAB"
    """Low word first."""
    BADC = "BADC"
    """High word first, bytes within each word swapped."""
    DCBA = "DCBA"
    """Little-endian throughout."""


_CODES = {
    RegisterType.INT16: ">h",
    RegisterType.UINT16: ">H",
    RegisterType.INT32: ">i",
    RegisterType.UINT32: ">I",
    RegisterType.FLOAT32: ">f",
}


@dataclass(frozen=True, slots=True)
class RegisterValue:
    """One value of a block.

    Args:
        at: register of the block, counted from 0.
        type: how the value lies in its registers.
        order: order of its bytes.
        factor: counts per unit of an integer register; not used for float32.
        decimals: what a count of a float32 is; not used for integers.
        no_value: integers that the device sends in place of a value.
    """

    at: int
    type: RegisterType
    order: ByteOrder = ByteOrder.ABCD
    factor: int = 1
    decimals: int = 0
    no_value: frozenset[int] = frozenset()

    def read(self, registers: Sequence[int]) -> int | tuple[RejectReason, str]:
        """The value in counts, or why it is none."""
        data = struct.pack(f">{self.type.size}H", *registers[self.at : self.at + self.type.size])
        if self.order in {ByteOrder.CDAB, ByteOrder.DCBA}:
            data = data[2:] + data[:2]
        if self.order in {ByteOrder.BADC, ByteOrder.DCBA}:
            data = b"".join(data[start + 1 : start + 2] + data[start : start + 1] for start in range(0, len(data), 2))
        found: int | float = struct.unpack(_CODES[self.type], data)[0]
        if found in self.no_value:
            return RejectReason.FAULT, f"register {self.at} of the block holds {found}, which stands for no value"
        if isinstance(found, int):
            return found * self.factor
        if not math.isfinite(found):
            return RejectReason.NOT_FINITE, f"register {self.at} of the block holds {found}"
        return counts_of(found, self.decimals)


@dataclass(frozen=True, slots=True)
class StatusRegister:
    """A register that says how good the values beside it are. A code that is in no table is a fault."""

    at: int
    codes: Mapping[int, Meaning]
    mask: int = 0xFFFF

    def read(self, registers: Sequence[int]) -> tuple[RejectReason, str] | None:
        """Why the values are none; None where they are good."""
        code = registers[self.at] & self.mask
        reason = self.codes.get(code, Meaning.FAULT).reason
        return None if reason is None else (reason, f"status 0x{code:04X}")


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """The values of a block in the order of the settings, and its status."""

    values: tuple[RegisterValue, ...]
    status: StatusRegister | None = None

    def read(self, registers: Sequence[int]) -> Reading | tuple[RejectReason, str]:
        """All values of the block, or why there are none: one bad value spoils them all."""
        bad = self.status.read(registers) if self.status else None
        if bad is not None:
            return bad
        counts: list[int] = []
        for value in self.values:
            found = value.read(registers)
            if not isinstance(found, int):
                return found
            counts.append(found)
        return reading(counts)
