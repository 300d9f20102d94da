"""The recorder's one thread: takes port events and requests from a queue, lets time pass, tells the screens."""

import queue
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from testbench.errors import BenchError, RequestRefusedError
from testbench.station import messages as m
from testbench.station.acquisition import PortEvent
from testbench.station.clock_watch import ClockWatch, Moment
from testbench.station.session import Session
from testbench.station.view import Viewer

COMMIT_EVERY_S = 0.25


class Screens(Protocol):
    """Whoever watches."""

    def anyone(self) -> bool:
        """Whether anybody watches."""

    def broadcast(self, line: bytes) -> None:
        """Send to everyone; a slow screen misses updates, never holds up the recorder."""

    def answer(self, client: int, line: bytes) -> None:
        """Send to one."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A line that a screen sent."""

    client: int
    line: bytes


@dataclass(frozen=True, slots=True)
class OfLine:
    """What the port of another line than the deciding channel's delivered."""

    line: int
    """Its number in the bench's lines."""
    event: PortEvent


Inbox = queue.SimpleQueue[PortEvent | OfLine | Heard]


class Recorder:
    """Runs a session until it is told to end.

    Args:
        session: the bench at work.
        inbox: what ports and screens put there.
        screens: whoever watches.
        update_every_s: between two updates [s].
        clocks: read once with each commit; None where the rig's clock leaves nothing to compare.
        gather_s: how long to let things come together before they are taken in one go [s]. They carry their stamps;
            waking for each line of a quick one costs more than the line.
    """

    def __init__(
        self,
        session: Session,
        inbox: Inbox,
        screens: Screens,
        update_every_s: float,
        clocks: Callable[[], Moment] | None = None,
        *,
        gather_s: float = 0.0,
    ) -> None:
        self._session = session
        self._inbox = inbox
        self._screens = screens
        self._viewer = Viewer(session)
        self._update_every_s = update_every_s
        self._gather_s = gather_s
        self._ended = False
        self._news = False
        self._clocks = clocks
        self._clock_watch = None if clocks is None else ClockWatch(clocks())

    def run(self, wall_s: Callable[[], float]) -> None:
        """Work until a shutdown request.

        Args:
            wall_s: monotonic seconds of the wall, for pacing the updates only.
        """
        due = committed = wall_s()
        while not self._ended:
            if wall_s() - committed >= COMMIT_EVERY_S:
                self._look_at_clocks()
                self._session.commit()
                committed = wall_s()
            left = due - wall_s()
            if left > 0 and not self._news:
                self._wait(min(left, 0.05))
                continue
            self._session.tick()
            if self._screens.anyone():
                self._screens.broadcast(m.write(self._viewer.update()))
            self._news = False
            due = wall_s() + self._update_every_s

    def _look_at_clocks(self) -> None:
        if self._clock_watch is not None and self._clocks is not None:
            for event in self._clock_watch.look(self._clocks(), self._session.outside.clock.elapsed_s()):
                self._session.take(event)

    def _wait(self, seconds: float) -> None:
        try:
            self._take(self._inbox.get(timeout=seconds))
            time.sleep(self._gather_s)
            for _ in range(1000):  # what came meanwhile, but never for ever
                self._take(self._inbox.get_nowait())
        except queue.Empty:
            pass
        self._session.tick()

    def _take(self, event: PortEvent | OfLine | Heard) -> None:
        if isinstance(event, Heard):
            self._hear(event)
            self._news = True
        elif isinstance(event, OfLine):
            self._session.take(event.event, event.line)
        else:
            self._session.take(event)

    def _hear(self, heard: Heard) -> None:
        request: m.AnyRequest | None = None
        try:
            request = m.read_request(heard.line)
            if isinstance(request, m.Shutdown):
                self._shut_down(request)
                answer = m.Answer(id=request.id, done=True)
            else:
                answer = self._session.request(request)
        except BenchError as refusal:
            answer = m.Answer.refused(request.id if request else 0, refusal)
        self._screens.answer(heard.client, m.write(answer))
        if isinstance(request, m.Attach):
            self._screens.answer(heard.client, m.write(self._viewer.update(whole_trace=True)))

    def _shut_down(self, request: m.Shutdown) -> None:
        if self._session.run_open:
            raise RequestRefusedError("shutdown", "a run is open", tuple(self._session.possible()))
        self._ended = True
