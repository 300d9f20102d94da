"""From the settings of a line to the reader that suits it."""

from collections.abc import Callable

from testbench.instruments.polled import PollingReader
from testbench.instruments.serial_port import SerialReader
from testbench.station.acquisition import PortEvent
from testbench.station.ascii_settings import AsciiLineSettings
from testbench.station.line_settings import AnyLineSettings, PlainLineSettings
from testbench.station.ports import Clock


def connect(
    settings: AnyLineSettings, clock: Clock, deliver: Callable[[PortEvent], None]
) -> SerialReader | PollingReader:
    """A reader, not yet started."""
    if isinstance(settings, PlainLineSettings | AsciiLineSettings):
        return SerialReader(settings, clock, deliver)
    return PollingReader(settings, clock, deliver)
