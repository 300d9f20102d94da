"""What pyserial leaves to the driver of a serial line: low latency, parity of what comes in, counted errors."""

import fcntl
import os
import struct
import termios
from typing import Any

from testbench.station.acquisition import LineErrors

TIOCGICOUNT = 0x545D
_COUNTERS = struct.Struct("20i")  # struct serial_icounter_struct of the kernel: linux/serial.h
_FIRST, _LAST = 6, 11  # frame, overrun, parity, brk, buf_overrun


def set_low_latency(port: Any) -> str:
    """Ask the driver to hand bytes on at once; a USB adapter may otherwise keep them for 16 ms.

    Returns:
        What came of it, for the record.
    """
    try:
        port.set_low_latency_mode(True)
    except (AttributeError, NotImplementedError, ValueError):
        return "not offered by the driver"
    return "on"


def keep_others_out(descriptor: int) -> None:
    """Let no other program open the port, but the superuser's: pyserial's own lock binds only who asks for it.

    Not on a pseudo-terminal, which would keep the mark where this program is killed and the far end is not.
    """
    if not os.ttyname(descriptor).startswith("/dev/pts/"):
        fcntl.ioctl(descriptor, termios.TIOCEXCL)


def check_parity_of_input(descriptor: int) -> None:
    """Make the kernel check what comes in: pyserial sets parity for the sender only. A bad byte arrives marked."""
    attributes = termios.tcgetattr(descriptor)
    attributes[0] |= termios.INPCK | termios.PARMRK
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)


class ErrorCounters:
    """The driver's counters of one open port, counted from the moment of opening."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._at_opening = self._told = self._read()

    @property
    def counting(self) -> bool:
        """Whether the driver counts at all; a pseudo-terminal does not."""
        return self._at_opening is not None

    def _read(self) -> tuple[int, ...] | None:
        try:
            found = fcntl.ioctl(self._descriptor, TIOCGICOUNT, bytes(_COUNTERS.size))
        except OSError:
            return None
        return _COUNTERS.unpack(found)[_FIRST:_LAST]

    def news(self, at_s: float) -> LineErrors | None:
        """All errors since the port was opened; None where nothing has changed since the last call."""
        now = self._read()
        if now is None or self._at_opening is None or now == self._told:
            return None
        self._told = now
        return LineErrors(at_s, *(new - old for new, old in zip(now, self._at_opening, strict=True)))
