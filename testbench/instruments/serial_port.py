"""Opens a serial port, reads bytes, reconnects; parses nothing. The only module that knows pyserial.

pyserial opens and configures; reading is ``poll`` and ``os.read`` on its descriptor, stamped once a read, because
``readline`` hands out half lines after a time-out and costs three times as much.
"""

from collections.abc import Callable
from typing import Any

import serial

from testbench.errors import BenchError, PortBusyError, PortFailedError, PortMissingError
from testbench.instruments.line_state import ErrorCounters, check_parity_of_input, set_low_latency
from testbench.instruments.links import CAUGHT, DescriptorLink, Link, UrlLink
from testbench.instruments.reconnecting import SLICE_S, Reconnecting
from testbench.station.acquisition import Arrived, PortEvent, Quiet
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
        if marks_damage(settings):
            check_parity_of_input(port.fileno())
    except CAUGHT as failure:
        raise _refusal(settings.port, failure) from failure
    return port


def open_link(settings: SerialSettings) -> Link:
    """Open a port for reading by the fastest way it has.

    Raises:
        PortMissingError: nothing is there.
        PortBusyError: another program holds it.
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


def _refusal(port: str, failure: BaseException) -> BenchError:
    number = getattr(failure, "errno", None)
    if number in {2, 6, 19}:  # ENOENT, ENXIO, ENODEV
        return PortMissingError(port)
    if number in {11, 16} or "exclusively lock" in str(failure):
        return PortBusyError(port)
    return PortFailedError(port, str(failure))


class SerialReader(Reconnecting):
    """Reads one port that sends of its own accord."""

    def __init__(self, settings: SerialSettings, clock: Clock, deliver: Callable[[PortEvent], None]) -> None:
        super().__init__(settings.port, str(settings), clock, deliver)
        self._serial = settings

    def _open(self) -> Link:
        return open_link(self._serial)

    def _use(self, link: Link) -> str:
        while not self._stop.is_set():
            data = link.read(SLICE_S)
            at_s = self._clock.elapsed_s()
            if data == b"":
                return "it was unplugged, or two programs read it"
            self._deliver(Quiet(at_s) if data is None else Arrived(at_s, data))
            self._count_errors(link, at_s)
        return ""
