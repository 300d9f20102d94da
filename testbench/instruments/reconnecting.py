"""A thread that keeps one line open: opens it, lets it be used until it is lost, opens it again when it comes back."""

import threading
from abc import ABC, abstractmethod
from collections.abc import Callable

from testbench.errors import BenchError, PortFailedError
from testbench.instruments.links import CAUGHT, Link
from testbench.station.acquisition import PortEvent, PortLost, PortOpened, Quiet
from testbench.station.ports import Clock

LONGEST_WAIT_S = 1.0
SLICE_S = 0.1
"""Longest wait for bytes, so that silence is told and a stop is seen."""
COUNTED_EVERY_S = 1.0


class Reconnecting(ABC):
    """One line, in a thread of its own.

    Args:
        port: its name, for sentences.
        settings: what it is opened with, for the record.
        clock: stamps every event.
        deliver: takes the events, in this thread.
    """

    def __init__(self, port: str, settings: str, clock: Clock, deliver: Callable[[PortEvent], None]) -> None:
        self._port, self._settings = port, settings
        self._clock, self._deliver = clock, deliver
        self._counted_s = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"port {port}", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """End reading and wait until the port is closed."""
        self._stop.set()
        self._thread.join(timeout=5)

    @abstractmethod
    def _open(self) -> Link:
        """Open the line.

        Raises:
            BenchError: it cannot be opened.
        """

    @abstractmethod
    def _use(self, link: Link) -> str:
        """Use the open line until it is lost or ``_stop`` is set; what was found, empty where it was stopped."""

    def _lost(self, found: str) -> BenchError:
        """What to say when the line is lost."""
        return PortFailedError(self._port, found)

    def _run(self) -> None:
        wait_s, said = 0.1, ""
        while not self._stop.is_set():
            try:
                link = self._open()
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
            self._deliver(PortOpened(self._clock.elapsed_s(), f"{self._settings}; {link.state}"))
            found = self._use_until_lost(link)
            link.close()
            if found:
                lost = self._lost(found)
                said = str(lost)
                self._deliver(PortLost(self._clock.elapsed_s(), said, lost.remedy))

    def _use_until_lost(self, link: Link) -> str:
        try:
            return self._use(link)
        except CAUGHT as failure:
            return "it was unplugged" if getattr(failure, "errno", None) == 5 else str(failure)

    def _count_errors(self, link: Link, at_s: float) -> None:
        """Tell what the driver counted, at most once a second: a busy line is not to pay for it."""
        if at_s - self._counted_s >= COUNTED_EVERY_S:
            self._counted_s = at_s
            news = link.line_errors(at_s)
            if news is not None:
                self._deliver(news)
