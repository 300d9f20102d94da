"""From the settings of a line to the reader that suits it, live or replayed."""

from collections.abc import Callable

from testbench.instruments.links import Line
from testbench.instruments.polled import PollingReader
from testbench.instruments.reconnecting import Tap
from testbench.instruments.serial_port import SerialReader
from testbench.station.acquisition import PortEvent
from testbench.station.ascii_settings import AsciiLineSettings
from testbench.station.line_settings import AnyLineSettings, PlainLineSettings
from testbench.station.ports import Clock

Reader = SerialReader | PollingReader


def connect(
    settings: AnyLineSettings,
    clock: Clock,
    deliver: Callable[[PortEvent], None],
    tap: Tap | None = None,
    line: Line | None = None,
) -> Reader:
    """A reader, not yet started.

    Args:
        settings: how the instrument speaks, and where.
        clock: stamps what is delivered.
        deliver: takes it, in the reader's thread.
        tap: takes every step, for a capture.
        line: what is read instead of the settings' own port, such as a replay.
    """
    if isinstance(settings, PlainLineSettings | AsciiLineSettings):
        return SerialReader(settings, clock, deliver, tap, line)
    return PollingReader(settings, clock, deliver, tap, line)
