"""How an instrument speaks: one model per protocol, told apart by ``protocol``.

Each model checks itself (a rule names its field, what was found and what to write instead) and makes the decoder that
it describes.
"""

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter, field_validator

from testbench.framing import scpi
from testbench.framing.exchange import Conversation
from testbench.procedure.valve import Text, Value
from testbench.station.ascii_settings import AsciiLineSettings, AsciiPromptSettings, Decimals, Delimiter
from testbench.station.modbus_settings import ModbusRtuOverTcpSettings, ModbusRtuSettings, ModbusTcpSettings
from testbench.station.pace import SerialPace, marks_damage


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


PolledSettings = AsciiPromptSettings | ScpiSettings | ModbusRtuSettings | ModbusTcpSettings | ModbusRtuOverTcpSettings
LineSettings = Annotated[AsciiLineSettings | PolledSettings, Field(discriminator="protocol")]
LINE_SETTINGS: TypeAdapter[AsciiLineSettings | PolledSettings] = TypeAdapter(LineSettings)
