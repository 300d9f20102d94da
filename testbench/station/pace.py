"""What polled instruments have in common: how often to ask, how long to wait; and where the kernel marks damage."""

from typing import Annotated

from pydantic import Field

from testbench.framing.polling import Timing
from testbench.procedure.valve import Value
from testbench.station.serial_settings import SerialSettings

BITS_PER_CHARACTER = 11
"""Start, eight data, parity or a second stop, stop: MODBUS over Serial Line V1.02, 2.5.1, from memory."""


def marks_damage(line: SerialSettings) -> bool:
    """Whether the kernel is to check parity and mark damaged bytes; behind a URL there is no such kernel."""
    return line.parity != "none" and "://" not in line.port


class Pace(Value):
    """How often to ask and how long to wait."""

    poll_every_s: Annotated[float, Field(ge=0.001, le=60)] = 0.1
    answer_within_s: Annotated[float, Field(ge=0.01, le=10)] = 0.3
    """At least three times what the device needs at worst. A later answer is thrown away."""

    def timing(self) -> Timing:
        """When to ask and how long to wait."""
        return Timing(self.poll_every_s, self.answer_within_s)


class SerialPace(SerialSettings, Pace):
    """A polled instrument on a serial line, or behind a pyserial URL."""

    echoed: bool = False
    """Whether the adapter hands our own bytes back before the answer, as some two-wire adapters do."""

    def _time_of(self, characters: int) -> float:
        return characters * BITS_PER_CHARACTER / self.baud
