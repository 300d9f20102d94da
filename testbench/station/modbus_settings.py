"""Modbus instruments: which registers mean what. Addresses count from 0, as they go over the wire."""

from fractions import Fraction
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from testbench.framing.exchange import Conversation
from testbench.framing.modbus import MOST_REGISTERS, Block, Function, ReadQuery, TcpConversation
from testbench.framing.polling import Timing
from testbench.framing.readings import Meaning
from testbench.framing.registers import ByteOrder, RegisterMap, RegisterType, RegisterValue, StatusRegister
from testbench.procedure.valve import Text, Value
from testbench.station.ascii_settings import Decimals
from testbench.station.pace import Pace, SerialPace, marks_damage

NUMBERED_FROM = {4: (30001, 300001), 3: (40001, 400001)}
"""Function → numbers that manuals give its first register, of five digits and of six (common practice)."""
MOST_ADDRESS = 65535
FAST_BAUD, FAST_GAP_S = 19200, 0.00175
"""Above this baud the silence between frames is fixed: MODBUS over Serial Line V1.02, 2.5.1.1, from memory."""


def hint_on(address: int) -> str:
    """What an address that looks like a manual's number of a register probably means; empty where it does not.

    Args:
        address: as it was given, where a count from 0 was asked for.
    """
    for function, firsts in NUMBERED_FROM.items():
        for first, registers in zip(firsts, (9999, MOST_ADDRESS + 1), strict=True):
            if 0 <= address - first < registers:
                return (
                    f"addresses count from 0: where {address} is the number in the manual, "
                    f"address {address - first} with function {function} is meant"
                )
    return ""


class ModbusValue(Value):
    """A value of the device. The first one is the channel's reading."""

    name: Text = "pressure"
    address: Annotated[int, Field(ge=0, le=65535)]
    """Of its first register as it goes over the wire: 30001 or 40001 in a manual, or 1 counted from 1, is 0."""
    type: RegisterType
    order: ByteOrder = ByteOrder.ABCD
    decimals: Decimals
    scale: Annotated[str, Field(pattern=r"^[0-9]+(\.[0-9]+)?$")] | None = None
    """What one unit of an integer register is, for example "0.1"; not for float32, which holds the value itself."""
    no_value: tuple[int, ...] = ()
    """Integers that the device sends in place of a value, as the register's type reads them."""

    @field_validator("address", mode="before")
    @classmethod
    def _from_0(cls, address: object) -> object:
        if isinstance(address, int) and address > MOST_ADDRESS and (hint := hint_on(address)):
            raise ValueError(f"found {address}, at most {MOST_ADDRESS} is allowed; {hint}")
        return address

    @model_validator(mode="after")
    def _scaled(self) -> Self:
        if (self.scale is None) is not (self.type is RegisterType.FLOAT32):
            raise ValueError(
                f"scale: found {self.scale!r} for {self.type.value}; an integer needs one, a float has none"
            )
        factor = self._factor()
        if factor.denominator != 1 or factor < 1:
            raise ValueError(f"decimals: found {self.decimals}, too few to hold steps of {self.scale} without rounding")
        if self.type.size == 1 and self.order in {ByteOrder.CDAB, ByteOrder.DCBA}:
            raise ValueError(f"order: found {self.order.value} for one register, allowed are ABCD and BADC")
        return self

    def _factor(self) -> Fraction:
        return Fraction(1) if self.scale is None else Fraction(self.scale) * 10**self.decimals

    @property
    def end(self) -> int:
        """The register after its last."""
        return self.address + self.type.size

    def built(self, first: int) -> RegisterValue:
        """The value within a block that begins at a register."""
        return RegisterValue(
            self.address - first, self.type, self.order, int(self._factor()), self.decimals, frozenset(self.no_value)
        )


class ModbusStatus(Value):
    """A register that says how good the values are; a code that is not listed is a fault."""

    address: Annotated[int, Field(ge=0, le=65535)]
    mask: Annotated[int, Field(ge=1, le=0xFFFF)] = 0xFFFF
    codes: Annotated[dict[Annotated[str, Field(pattern=r"^[0-9]{1,5}$")], Meaning], Field(min_length=1)]
    """Codes after the mask, in decimal."""

    @field_validator("codes")
    @classmethod
    def _some_good(cls, codes: dict[str, Meaning]) -> dict[str, Meaning]:
        if Meaning.GOOD not in codes.values():
            raise ValueError("found no code that means good, so no answer could be a reading; list it")
        return codes

    def built(self, first: int) -> StatusRegister:
        """The register within a block that begins at a register."""
        codes = {int(code): meaning for code, meaning in self.codes.items()}
        return StatusRegister(self.address - first, codes, self.mask)


class _ModbusSettings(Pace):
    function: Literal[3, 4]
    """3: holding registers, 4: input registers. Nothing else can be asked."""
    values: Annotated[tuple[ModbusValue, ...], Field(min_length=1, max_length=16)]
    status: ModbusStatus | None = None

    @model_validator(mode="after")
    def _one_block(self) -> Self:
        if len({value.name for value in self.values}) < len(self.values):
            raise ValueError("values: found two of one name; give each a name of its own")
        _, count = self._extent()
        if count > MOST_REGISTERS:
            allowed = f"one query reads at most {MOST_REGISTERS}, and all values must come of one query"
            raise ValueError(f"values: found registers that span {count}, {allowed}")
        return self

    @property
    def hint(self) -> str:
        """What the first value's address probably means; empty where it is nothing out of the way."""
        return hint_on(self.values[0].address)

    def _extent(self) -> tuple[int, int]:
        used = [(value.address, value.end) for value in self.values]
        if self.status is not None:
            used.append((self.status.address, self.status.address + 1))
        first = min(start for start, _ in used)
        return first, max(end for _, end in used) - first

    def block(self, unit: int) -> Block:
        """The query, and what the registers of its answer mean."""
        first, count = self._extent()
        values = tuple(value.built(first) for value in self.values)
        registers = RegisterMap(values, self.status.built(first) if self.status else None)
        return Block(ReadQuery(unit, Function(self.function), first, count), registers)

    @property
    def decimals(self) -> dict[str, int]:
        """What a count of each value is, by the value's name."""
        return {value.name: value.decimals for value in self.values}


class ModbusRtuSettings(_ModbusSettings, SerialPace):
    """Modbus on a serial line."""

    protocol: Literal["modbus-rtu"]
    unit_id: Annotated[int, Field(ge=1, le=247)] = 1
    byte_size: Literal[8] = 8
    parity: Literal["none", "even", "odd"] = "even"
    """Even is what the Modbus specification asks for where nothing else is agreed."""

    @model_validator(mode="after")
    def _time_enough(self) -> Self:
        _, count = self._extent()
        least = self._time_of(8 + 5 + 2 * count) + self._gap_s()
        if self.answer_within_s < least:
            raise ValueError(
                f"answer_within_s: found {self.answer_within_s}, query and answer alone take {least:.3f} s at "
                f"{self.baud} baud; allow three times what the device needs at worst"
            )
        return self

    def _gap_s(self) -> float:
        return FAST_GAP_S if self.baud > FAST_BAUD else self._time_of(7) / 2

    def timing(self) -> Timing:
        """When to ask and how long to wait, with the silence of 3.5 characters."""
        return Timing(self.poll_every_s, self.answer_within_s, self._gap_s())

    def conversation(self) -> Conversation:
        """The decoder."""
        return self.block(self.unit_id).rtu(marked=marks_damage(self), echoed=self.echoed)


class _ModbusTcpSettings(_ModbusSettings):
    host: Text
    """Name or address of the device or of the serial server."""
    tcp_port: Annotated[int, Field(ge=1, le=65535)] = 502
    unit_id: Annotated[int, Field(ge=0, le=255)] = 1

    @property
    def where(self) -> str:
        """Host and port."""
        return f"{self.host}:{self.tcp_port}"


class ModbusTcpSettings(_ModbusTcpSettings):
    """Modbus over TCP."""

    protocol: Literal["modbus-tcp"]

    def conversation(self) -> Conversation:
        """The decoder."""
        return TcpConversation(self.block(self.unit_id))


class ModbusRtuOverTcpSettings(_ModbusTcpSettings):
    """Frames of the serial line through a serial server."""

    protocol: Literal["modbus-rtu-over-tcp"]
    unit_id: Annotated[int, Field(ge=1, le=247)] = 1

    def conversation(self) -> Conversation:
        """The decoder."""
        return self.block(self.unit_id).rtu()
