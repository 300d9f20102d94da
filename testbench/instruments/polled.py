"""Asks and listens: Modbus, IEEE 488.2 instruments, prompted text. Sends nothing but the query of its settings.

When to ask, how long to wait and what is too late is decided in ``framing/polling``; here are the line and the clock.
"""

import threading
from collections.abc import Callable

from testbench.errors import BenchError, DeviceUnreachableError
from testbench.framing.capture import StepKind
from testbench.framing.polling import Answered, Poller
from testbench.instruments.links import CAUGHT, Line, Link, open_tcp
from testbench.instruments.reconnecting import SLICE_S, Reconnecting, Tap
from testbench.instruments.serial_port import SerialLine
from testbench.station.acquisition import Polled, PortEvent, Quiet
from testbench.station.line_settings import PolledSettings, described
from testbench.station.modbus_settings import ModbusRtuOverTcpSettings, ModbusTcpSettings
from testbench.station.ports import Clock
from testbench.station.serial_settings import SerialSettings


class NetworkLine:
    """A device behind a TCP port."""

    over = False

    def __init__(self, settings: ModbusTcpSettings | ModbusRtuOverTcpSettings) -> None:
        self._settings = settings
        self.where = settings.where

    def open(self, stop: threading.Event) -> Link:
        """Connect.

        Raises:
            DeviceUnreachableError: nobody listens there.
        """
        try:
            return open_tcp(self._settings.host, self._settings.tcp_port)
        except CAUGHT as failure:
            raise DeviceUnreachableError(self.where, str(failure)) from failure

    def lost(self, found: str) -> BenchError:
        """What to say when the connection is lost."""
        return DeviceUnreachableError(self.where, found)

    def pause(self, seconds: float, stop: threading.Event) -> None:
        """Wait before it is opened again [s]."""
        stop.wait(seconds)


class PollingReader(Reconnecting):
    """Polls one instrument."""

    def __init__(
        self,
        settings: PolledSettings,
        clock: Clock,
        deliver: Callable[[PortEvent], None],
        tap: Tap | None = None,
        line: Line | None = None,
    ) -> None:
        found = SerialLine(settings) if isinstance(settings, SerialSettings) else NetworkLine(settings)
        super().__init__(line or found, described(settings), clock, deliver, tap)
        self.poller = Poller(settings.conversation(), settings.timing())

    def _use(self, link: Link) -> str:
        poller, clock = self.poller, self._clock
        poller.opened(clock.elapsed_s(), link.joined_at)
        told_s = clock.elapsed_s()
        while not self._stop.is_set():
            data = link.read(min(poller.next_s - clock.elapsed_s(), SLICE_S))
            now = clock.elapsed_s()
            if data == b"":
                return "it was unplugged, or the other end hung up"
            if data is None:  # the line is read empty before anything is sent
                query, settled = poller.wake(now, may_ask=link.may_ask)
                if query:
                    link.write(query)
                self._step(now, StepKind.SENT if query else StepKind.QUIET, query)
            else:
                self._step(now, StepKind.RECEIVED, data)
                settled = poller.feed(now, data)
            if settled or now - told_s >= SLICE_S:
                told_s = now
                self._tell(now, settled)
            if poller.broken:
                return "what the other end sends is not this protocol"
            self._count_errors(link, now)
        return ""

    def _tell(self, now: float, settled: tuple[Answered, ...]) -> None:
        for answered in settled:
            self._deliver(Polled(answered.at_s, answered.sent_s, answered.found))
        if not settled:
            self._deliver(Quiet(now))
