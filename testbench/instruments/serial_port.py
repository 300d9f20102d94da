"""Opens a serial port, reads bytes, reconnects; parses nothing. The only module that knows pyserial.

pyserial opens and configures; reading is ``poll`` and ``os.read`` on its descriptor, stamped once a read, because
``readline`` hands out half lines after a time-out and costs three times as much.
"""

import contextlib
import os
import select
import termios
import threading
from collections.abc import Callable
from typing import Any

import serial

from testbench.errors import BenchError, PortBusyError, PortFailedError, PortMissingError
from testbench.station.acquisition import Arrived, PortEvent, PortLost, PortOpened, Quiet
from testbench.station.bench import SerialSettings
from testbench.station.ports import Clock

_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_CAUGHT = (OSError, termios.error, TypeError, ValueError)  # all that an unplugged port was seen to raise
LONGEST_WAIT_S = 1.0
POLL_MS = 100


def open_port(settings: SerialSettings) -> Any:
    """Open a port exclusively.

    Returns:
        An open pyserial object that has a descriptor.

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
        port.timeout = 0
        if "://" not in settings.port:
            port.exclusive = True
        port.open()
    except _CAUGHT as failure:
        raise _refusal(settings.port, failure) from failure
    if settings.parity != "none" and "://" not in settings.port:
        _check_parity_of_input(port.fileno())
    return port


def _check_parity_of_input(descriptor: int) -> None:
    """Make the kernel check what comes in: pyserial sets parity for the sender only. A bad byte arrives marked."""
    attributes = termios.tcgetattr(descriptor)
    attributes[0] |= termios.INPCK | termios.PARMRK
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)


def _refusal(port: str, failure: BaseException) -> BenchError:
    number = getattr(failure, "errno", None)
    if number in {2, 6, 19}:  # ENOENT, ENXIO, ENODEV
        return PortMissingError(port)
    if number in {11, 16} or "exclusively lock" in str(failure):
        return PortBusyError(port)
    return PortFailedError(port, str(failure))


class SerialReader:
    """Reads one port in a thread of its own, and opens it again whenever it comes back."""

    def __init__(self, settings: SerialSettings, clock: Clock, deliver: Callable[[PortEvent], None]) -> None:
        self._settings = settings
        self._clock = clock
        self._deliver = deliver
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"port {settings.port}", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """End reading and wait until the port is closed."""
        self._stop.set()
        self._thread.join(timeout=5)

    def _run(self) -> None:
        wait_s, said = 0.1, ""
        while not self._stop.is_set():
            try:
                port = open_port(self._settings)
            except BenchError as refusal:
                if str(refusal) != said:
                    said = str(refusal)
                    self._deliver(PortLost(self._clock.elapsed_s(), said, refusal.remedy))
                else:
                    self._deliver(Quiet(self._clock.elapsed_s()))
                self._stop.wait(wait_s)
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)
                continue
            wait_s, said = 0.1, ""
            self._deliver(PortOpened(self._clock.elapsed_s(), str(self._settings)))
            lost = self._read_until_lost(port)
            with contextlib.suppress(*_CAUGHT):
                port.close()
            if lost is not None:
                said = str(lost)
                self._deliver(PortLost(self._clock.elapsed_s(), said, lost.remedy))

    def _read_until_lost(self, port: Any) -> BenchError | None:
        try:
            descriptor = port.fileno()
            poll = select.poll()
            poll.register(descriptor, select.POLLIN)
            while not self._stop.is_set():
                if not poll.poll(POLL_MS):
                    self._deliver(Quiet(self._clock.elapsed_s()))
                    continue
                data = os.read(descriptor, 4096)
                at_s = self._clock.elapsed_s()
                if not data:
                    return PortFailedError(self._settings.port, "it was unplugged, or two programs read it")
                self._deliver(Arrived(at_s, data))
        except _CAUGHT as failure:
            found = "it was unplugged" if getattr(failure, "errno", None) == 5 else str(failure)
            return PortFailedError(self._settings.port, found)
        return None
