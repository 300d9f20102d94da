"""A thread that keeps one line open: opens it, lets it be used until it is lost, opens it again when it comes back."""

import threading
from abc import ABC, abstractmethod
from collections.abc import Callable

from testbench.errors import BenchError
from testbench.framing.capture import COUNTERS, Step, StepKind
from testbench.instruments.links import CAUGHT, SHARED, Line, Link
from testbench.station.acquisition import PortEvent, PortLost, PortOpened, Quiet
from testbench.station.ports import Clock

LONGEST_WAIT_S = 1.0
SLICE_S = 0.1
"""Longest wait for bytes, so that silence is told and a stop is seen."""
COUNTED_EVERY_S = 1.0


Tap = Callable[[Step], None]
"""Takes every step of a line as its reader saw it, in the reader's thread."""


class Reconnecting(ABC):
    """One line, in a thread of its own.

    Args:
        line: what is opened.
        settings: what it is opened with, for the record.
        clock: stamps every event.
        deliver: takes the events, in this thread.
        tap: takes the steps, for a capture.
    """

    def __init__(
        self, line: Line, settings: str, clock: Clock, deliver: Callable[[PortEvent], None], tap: Tap | None
    ) -> None:
        self._line, self._settings = line, settings
        self._clock, self._deliver, self._tap = clock, deliver, tap
        self._counted_s = 0.0
        self.refusal: BenchError | None = None
        """Why the line could not be opened; None while it is open."""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"line {line.where}", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """End reading and wait until the port is closed."""
        self._stop.set()
        self._thread.join(timeout=5)

    @property
    def over(self) -> bool:
        """Whether nothing more will ever come, as at the end of a replay."""
        return not self._thread.is_alive()

    @abstractmethod
    def _use(self, link: Link) -> str:
        """Use the open line until it is lost or ``_stop`` is set; what was found, empty where it was stopped."""

    def _step(self, at_s: float, kind: StepKind, said: str | bytes = "") -> None:
        if self._tap is not None:
            self._tap(Step(at_s, kind, said) if isinstance(said, str) else Step.of(at_s, kind, said))

    def _run(self) -> None:
        wait_s, said = 0.1, ""
        while not self._stop.is_set() and not self._line.over:
            try:
                link = self._line.open(self._stop)
            except BenchError as refusal:
                self.refusal = refusal
                self._refused(refusal, said)
                said = str(refusal)
                self._line.pause(wait_s, self._stop)
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)
                continue
            self.refusal = None
            wait_s, said, at_s = 0.1, "", self._clock.elapsed_s()
            self._step(at_s, StepKind.OPENED, link.state)
            if link.counting:
                self._step(at_s, StepKind.COUNTED, " ".join("0" * COUNTERS))
            self._deliver(PortOpened(at_s, f"{self._settings}; {link.state}", link.counting))
            found = self._use_until_lost(link)
            link.close()
            if found:
                lost, at_s = self._line.lost(found), self._clock.elapsed_s()
                said = str(lost)
                self._step(at_s, StepKind.CLOSED, found)
                self._deliver(PortLost(at_s, said, lost.remedy, shared=found == SHARED))
                self._line.pause(wait_s, self._stop)

    def _refused(self, refusal: BenchError, said: str) -> None:
        at_s = self._clock.elapsed_s()
        if str(refusal) == said:
            self._step(at_s, StepKind.QUIET)
            self._deliver(Quiet(at_s))
        else:
            self._step(at_s, StepKind.REFUSED, str(refusal))
            self._deliver(PortLost(at_s, str(refusal), refusal.remedy))

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
                self._step(at_s, StepKind.COUNTED, " ".join(map(str, news.counters)))
                self._deliver(news)
