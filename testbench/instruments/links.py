"""An open line as the readers see it: wait for bytes, send bytes, close. Serial, through a URL, or plain TCP."""

import contextlib
import os
import select
import socket
import termios
import threading
from typing import Any, Protocol

from testbench.errors import BenchError
from testbench.instruments.line_state import ErrorCounters
from testbench.station.acquisition import LineErrors

CAUGHT = (OSError, termios.error, TypeError, ValueError)  # all that an unplugged port was seen to raise
CONNECT_WITHIN_S = 3.0
SHARED = "another program took the bytes that had arrived"
"""What is found where a port says that bytes are there, has none, and did not hang up."""


class Link(Protocol):
    """A line that is open."""

    state: str
    """What was set at opening, for the record."""
    counting: bool
    """Whether the driver counts errors."""
    may_ask: bool
    """Whether a query may be sent now; a replay says when."""
    joined_at: bytes
    """Where a replay begins on a line that was open already: the first query that it holds; else empty."""

    def read(self, wait_s: float) -> bytes | None:
        """What arrives within a time [s], at once when it does; None for silence, ``b""`` when the line is gone."""

    def write(self, data: bytes) -> None:
        """Send."""

    def line_errors(self, at_s: float) -> LineErrors | None:
        """Errors that the driver counted, where they changed."""

    def close(self) -> None:
        """Close."""


class Line(Protocol):
    """A line that can be opened, again and again."""

    where: str
    """Its name, for sentences."""

    @property
    def over(self) -> bool:
        """Whether there is nothing to open any more."""

    def open(self, stop: threading.Event) -> Link:
        """Open it; a replay waits for the moment, or for ``stop``.

        Raises:
            BenchError: it cannot be opened now.
        """

    def lost(self, found: str) -> BenchError:
        """What to say when the open line is lost."""

    def pause(self, seconds: float, stop: threading.Event) -> None:
        """Wait before it is opened again [s]."""


class DescriptorLink:
    """A line with a descriptor: ``poll`` and ``os.read``, because pyserial's own reading costs three times as much.

    Args:
        port: an open pyserial object or socket; kept and closed.
        state: what was set at opening.
        counters: the driver's counters, where it may have some.
    """

    may_ask, joined_at = True, b""

    def __init__(self, port: Any, state: str, counters: ErrorCounters | None = None) -> None:
        self.state = state
        self._port, self._counters = port, counters
        self.counting = counters is not None and counters.counting
        self._descriptor = port.fileno()
        self._tells_hangup = os.isatty(self._descriptor)
        self._poll = select.poll()
        self._poll.register(self._descriptor, select.POLLIN)

    def read(self, wait_s: float) -> bytes | None:
        """What arrives within a time [s], rounded up to a millisecond.

        Raises:
            ValueError: somebody else was quicker.
        """
        woken = self._poll.poll(max(0.0, wait_s) * 1000)
        if not woken:
            return None
        data = os.read(self._descriptor, 4096)
        if not data and self._tells_hangup and not woken[0][1] & select.POLLHUP:
            raise ValueError(SHARED)
        return data

    def write(self, data: bytes) -> None:
        """Send; a query is short enough for any line to take it whole."""
        if os.write(self._descriptor, data) != len(data):
            raise OSError(None, "the line takes no more bytes")

    def line_errors(self, at_s: float) -> LineErrors | None:
        """Errors that the driver counted, where they changed."""
        return self._counters.news(at_s) if self._counters else None

    def close(self) -> None:
        """Close."""
        with contextlib.suppress(*CAUGHT):
            self._port.close()


class UrlLink:
    """A pyserial URL without a descriptor, such as ``rfc2217://``. It was opened with a time-out of ``SLICE_S``."""

    SLICE_S = 0.01
    counting = False
    may_ask, joined_at = True, b""

    def __init__(self, port: Any, state: str) -> None:
        self.state = state
        self._port = port

    def read(self, wait_s: float) -> bytes | None:
        """What arrives within a time [s], in slices of 10 ms."""
        for _ in range(max(1, round(wait_s / self.SLICE_S))):
            found: bytes = self._port.read(1)
            if found:
                return found + bytes(self._port.read(self._port.in_waiting))
        return None

    def write(self, data: bytes) -> None:
        """Send."""
        self._port.write(data)

    def line_errors(self, at_s: float) -> LineErrors | None:
        """Not known through a URL."""
        return None

    def close(self) -> None:
        """Close."""
        with contextlib.suppress(*CAUGHT):
            self._port.close()


def open_tcp(host: str, port: int) -> DescriptorLink:
    """Connect.

    Raises:
        OSError: nobody listens there.
    """
    connection = socket.create_connection((host, port), timeout=CONNECT_WITHIN_S)
    connection.settimeout(None)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    return DescriptorLink(connection, "TCP")
