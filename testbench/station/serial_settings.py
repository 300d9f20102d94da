"""How a serial line is opened."""

from typing import Annotated, Literal

from pydantic import Field

from testbench.procedure.valve import Text, Value


class SerialSettings(Value):
    """How the line is opened."""

    port: Text
    """A device path, best by /dev/serial/by-id, or a URL such as socket://127.0.0.1:5020."""
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 9600
    byte_size: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1

    @property
    def where(self) -> str:
        """Name of the port."""
        return self.port
