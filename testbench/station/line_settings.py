"""How an instrument speaks: one model per protocol, told apart by ``protocol``.

Each model checks itself (a rule names its field, what was found and what to write instead) and makes the decoder that
it describes.
"""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, TypeAdapter, field_validator

from testbench.framing import scpi
from testbench.framing.exchange import Conversation
from testbench.procedure.valve import Text, Value
from testbench.station.ascii_settings import AsciiLineSettings, AsciiPromptSettings, Decimals, Delimiter
from testbench.station.modbus_settings import ModbusRtuOverTcpSettings, ModbusRtuSettings, ModbusTcpSettings
from testbench.station.pace import SerialPace, marks_damage
from testbench.station.serial_settings import SerialSettings


class ScpiNumber(Value):
    """A number of the answer. The first one is the channel's reading."""

    name: Text = "pressure"
    decimals: Decimals


class ScpiSettings(SerialPace):
    """An instrument that answers queries in the forms of IEEE 488.2."""

    protocol: Literal["scpi"]
    query: Annotated[str, Field(pattern=r"^[\x21-\x7e][\x20-\x7e]*\?[\x20-\x7e]*$", max_length=200)]
    """One query, for example ``MEAS:PRES?``: it must contain a question mark, a command is not sent."""
    terminator: Delimiter = "\n"
    values: Annotated[tuple[ScpiNumber, ...], Field(min_length=1, max_length=16)]

    @field_validator("query")
    @classmethod
    def _only_one(cls, query: str) -> str:
        if ";" in query:
            raise ValueError("found a ';', only one query is sent at a time; ask for several values with one query")
        return query

    def conversation(self) -> Conversation:
        """The decoder."""
        places = tuple(value.decimals for value in self.values)
        return scpi.conversation(
            self.query.encode(), places, self.terminator.encode(), marked=marks_damage(self), echoed=self.echoed
        )

    @property
    def decimals(self) -> dict[str, int]:
        """What a count of each value is, by the value's name."""
        return {value.name: value.decimals for value in self.values}


class PlainLineSettings(SerialSettings):
    """Lines of one number, such as ``+0250.13``; how many digits it has stands beside the line, not in it."""

    protocol: Literal["plain-line"] = "plain-line"


PolledSettings = AsciiPromptSettings | ScpiSettings | ModbusRtuSettings | ModbusTcpSettings | ModbusRtuOverTcpSettings
LineSettings = AsciiLineSettings | PolledSettings
"""Settings that say themselves which values come, and with how many decimals."""
AnyLineSettings = PlainLineSettings | LineSettings
LINE_SETTINGS: TypeAdapter[LineSettings] = TypeAdapter(Annotated[LineSettings, Field(discriminator="protocol")])


def _without_protocol(found: Any) -> Any:
    """A table that names no protocol means plain lines."""
    return {"protocol": "plain-line", **found} if isinstance(found, dict) else found


BenchLine = Annotated[AnyLineSettings, Field(discriminator="protocol"), BeforeValidator(_without_protocol)]


def described(line: AnyLineSettings) -> str:
    """Protocol, place and serial settings in one phrase."""
    serial = ""
    if isinstance(line, SerialSettings):
        serial = f", {line.baud} baud {line.byte_size}{line.parity[0].upper()}{line.stop_bits}"
    return f"{line.protocol} on {line.where}{serial}"
