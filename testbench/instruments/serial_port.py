"""Opens a serial port, reads bytes, reconnects; parses nothing. The only module that knows pyserial.

pyserial opens and configures; reading is ``poll`` and ``os.read`` on its descriptor, stamped once a read, because
``readline`` hands out half lines after a time-out and costs three times as much.
"""

import termios
import threading
from collections.abc import Callable
from typing import Any

import serial

from testbench.errors import (
    BenchError,
    PortBusyError,
    PortFailedError,
    PortMissingError,
    PortSettingError,
    PortSharedError,
)
from testbench.framing.capture import StepKind
from testbench.instruments.line_state import ErrorCounters, check_parity_of_input, keep_others_out, set_low_latency
from testbench.instruments.links import CAUGHT, SHARED, DescriptorLink, Line, Link, UrlLink
from testbench.instruments.reconnecting import SLICE_S, Reconnecting, Tap
from testbench.station.acquisition import Arrived, PortEvent, Quiet
from testbench.station.ascii_settings import AsciiLineSettings
from testbench.station.line_settings import PlainLineSettings, described
from testbench.station.pace import marks_damage
from testbench.station.ports import Clock
from testbench.station.serial_settings import SerialSettings

_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


def open_port(settings: SerialSettings) -> Any:
    """Open a port exclusively.

    Returns:
        An open pyserial object.

    Raises:
        PortMissingError: nothing is there.
        PortBusyError: another program holds it.
        PortSettingError: it does not take the settings.
        PortFailedError: anything else.
    """
    try:
        port = serial.serial_for_url(settings.port, do_not_open=True)
        port.baudrate = settings.baud
        port.bytesize = settings.byte_size
        port.parity = _PARITY[settings.parity]
        port.stopbits = settings.stop_bits
        port.timeout = UrlLink.SLICE_S
        if "://" not in settings.port:
            port.exclusive = True
        port.open()
        if "://" not in settings.port:
            keep_others_out(port.fileno())
        if marks_damage(settings):
            check_parity_of_input(port.fileno())
    except CAUGHT as failure:
        raise _refusal(settings, failure) from failure
    return port


def open_link(settings: SerialSettings) -> Link:
    """Open a port for reading by the fastest way it has.

    Raises:
        PortMissingError: nothing is there.
        PortBusyError: another program holds it.
        PortSettingError: it does not take the settings.
        PortFailedError: anything else.
    """
    port = open_port(settings)
    if "://" not in settings.port:
        counters = ErrorCounters(port.fileno())
        state = f"exclusive; low latency {set_low_latency(port)}"
        state += f"; parity of input {'checked' if marks_damage(settings) else 'none'}"
        return DescriptorLink(port, f"{state}; line errors {'' if counters.counting else 'not '}counted", counters)
    try:
        return DescriptorLink(port, "through a URL")
    except CAUGHT:  # no descriptor
        return UrlLink(port, "through a URL")


def _refusal(settings: SerialSettings, failure: BaseException) -> BenchError:
    port = settings.port
    number = getattr(failure, "errno", None)
    if isinstance(failure, termios.error):  # has its number as a plain argument
        number = failure.args[0]
    if number in {2, 6, 19}:  # ENOENT, ENXIO, ENODEV
        return PortMissingError(port)
    if number in {11, 16} or "exclusively lock" in str(failure):
        return PortBusyError(port)
    if number == 22:  # EINVAL
        return PortSettingError(port, _unusual(settings))
    return PortFailedError(port, str(failure))


def _unusual(settings: SerialSettings) -> str:
    """What of the settings not every port has; where there is nothing of the kind, the baud rate."""
    found = [f"parity {settings.parity}"] if settings.parity != "none" else []
    found += [f"{settings.byte_size} data bits"] if settings.byte_size != 8 else []
    found += [f"{settings.stop_bits} stop bits"] if settings.stop_bits != 1 else []
    return " with ".join(found) or f"{settings.baud} baud"


class SerialLine:
    """A serial port, opened whenever it is there."""

    over = False

    def __init__(self, settings: SerialSettings) -> None:
        self._settings = settings
        self.where = settings.port

    def open(self, stop: threading.Event) -> Link:
        """Open it.

        Raises:
            PortMissingError: nothing is there.
            PortBusyError: another program holds it.
            PortFailedError: anything else.
        """
        return open_link(self._settings)

    def lost(self, found: str) -> BenchError:
        """What to say when it is lost."""
        return PortSharedError(self.where) if found == SHARED else PortFailedError(self.where, found)

    def pause(self, seconds: float, stop: threading.Event) -> None:
        """Wait before it is opened again [s]."""
        stop.wait(seconds)


class SerialReader(Reconnecting):
    """Reads one port that sends of its own accord."""

    def __init__(
        self,
        settings: PlainLineSettings | AsciiLineSettings,
        clock: Clock,
        deliver: Callable[[PortEvent], None],
        tap: Tap | None = None,
        line: Line | None = None,
    ) -> None:
        super().__init__(line or SerialLine(settings), described(settings), clock, deliver, tap)

    def _use(self, link: Link) -> str:
        while not self._stop.is_set():
            data = link.read(SLICE_S)
            at_s = self._clock.elapsed_s()
            if data == b"":
                return "it was unplugged"
            if data is None:
                self._step(at_s, StepKind.QUIET)
                self._deliver(Quiet(at_s))
            else:
                self._step(at_s, StepKind.RECEIVED, data)
                self._deliver(Arrived(at_s, data))
            self._count_errors(link, at_s)
        return ""
