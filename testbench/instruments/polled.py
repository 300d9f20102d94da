"""Asks and listens: Modbus, IEEE 488.2 instruments, prompted text. Sends nothing but the query of its settings.

When to ask, how long to wait and what is too late is decided in ``framing/polling``; here are the line and the clock.
"""

from collections.abc import Callable

from testbench.errors import BenchError, DeviceUnreachableError
from testbench.framing.polling import Answered, Poller
from testbench.instruments.links import CAUGHT, Link, open_tcp
from testbench.instruments.reconnecting import SLICE_S, Reconnecting
from testbench.instruments.serial_port import open_link
from testbench.station.acquisition import Polled, PortEvent, Quiet
from testbench.station.line_settings import PolledSettings
from testbench.station.ports import Clock
from testbench.station.serial_settings import SerialSettings


class PollingReader(Reconnecting):
    """Polls one instrument."""

    def __init__(self, settings: PolledSettings, clock: Clock, deliver: Callable[[PortEvent], None]) -> None:
        super().__init__(settings.where, str(settings), clock, deliver)
        self._polled = settings
        self.poller = Poller(settings.conversation(), settings.timing())

    def _open(self) -> Link:
        settings = self._polled
        if isinstance(settings, SerialSettings):
            return open_link(settings)
        try:
            return open_tcp(settings.host, settings.tcp_port)
        except CAUGHT as failure:
            raise DeviceUnreachableError(settings.where, str(failure)) from failure

    def _lost(self, found: str) -> BenchError:
        on_a_port = isinstance(self._polled, SerialSettings)
        return super()._lost(found) if on_a_port else DeviceUnreachableError(self._port, found)

    def _use(self, link: Link) -> str:
        poller, clock = self.poller, self._clock
        poller.opened(clock.elapsed_s())
        told_s = clock.elapsed_s()
        while not self._stop.is_set():
            data = link.read(min(poller.next_s - clock.elapsed_s(), SLICE_S))
            now = clock.elapsed_s()
            if data == b"":
                return "it was unplugged, or the other end hung up"
            if data is None:  # the line is read empty before anything is sent
                query, settled = poller.wake(now)
                if query:
                    link.write(query)
            else:
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
