"""A capture in place of a port: opened, read and lost as it was then, through the very same reader."""

import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pydantic import ValidationError

from testbench.errors import BenchError, CaptureDamagedError, CaptureEndedError, CaptureSaysError
from testbench.framing.capture import Capture, Step, StepKind
from testbench.instruments.captures import load_capture
from testbench.instruments.links import Line, Link
from testbench.station.acquisition import LineErrors
from testbench.station.bench import Bench, ChannelEntry

MOST_READS = 3
"""Of a query that was captured and is not asked: to give up an answer, to ask, and once more."""


class ReplayClock:
    """A clock that the replay sets: it stands at the stamp of the newest step.

    Args:
        at_s: where it begins [s].
        speed: times faster than life; None: as fast as the steps are taken.
    """

    SLICE_S = 0.02

    def __init__(self, at_s: float, speed: float | None) -> None:
        self._at_s, self._speed = at_s, speed
        self._first_s, self._began_s = at_s, 0.0
        self._utc = datetime.now(UTC)  # noqa: TID251 - this is a Clock

    def elapsed_s(self) -> float:
        """Seconds on the clock of the capture [s]."""
        return self._at_s

    def utc(self) -> datetime:
        """When the replay began, plus what has been replayed since: a record is dated when it was made."""
        return self._utc + timedelta(seconds=self._at_s - self._first_s)

    def advance(self, at_s: float, stop: threading.Event) -> None:
        """Let time pass up to a moment [s], or until ``stop``."""
        while self._speed is not None and not stop.is_set():
            now_s = time.monotonic()  # noqa: TID251 - this is a Clock
            self._began_s = self._began_s or now_s
            due_s = self._first_s + (now_s - self._began_s) * self._speed
            if due_s >= at_s:
                break
            self._at_s = max(self._at_s, due_s)
            stop.wait(min(self.SLICE_S, (at_s - due_s) / self._speed))
        self._at_s = max(self._at_s, at_s)


class ReplayedLine:
    """A capture in place of a line: opened, read, refused and lost as it was then.

    Args:
        name: of the file.
        capture: what it holds.
        clock: is set to the stamp of each step.
    """

    def __init__(self, name: str, capture: Capture, clock: ReplayClock) -> None:
        self.where = name
        self._steps, self._next = capture.steps, 0
        self._clock = clock
        self._said = f"Capture {name} begins with a line that is not open."

    @property
    def over(self) -> bool:
        """Whether every step was replayed."""
        return self._next >= len(self._steps)

    def open(self, stop: threading.Event) -> Link:
        """Open the line as it was opened then.

        Raises:
            CaptureSaysError: it was away.
            CaptureEndedError: the capture has ended.
        """
        step = self.peek(stop)
        if step is None:
            raise CaptureEndedError(self.where)
        if step.kind in {StepKind.REFUSED, StepKind.QUIET, StepKind.CLOSED}:
            self.take()
            self._said = step.said if step.kind is StepKind.REFUSED else self._said
            raise CaptureSaysError(self._said)
        if step.kind in {StepKind.OPENED, StepKind.JOINED}:
            self.take()
        counted = self.take_counted()
        first = self.peek(stop) if step.kind is StepKind.JOINED else None
        joined_at = first.data if first is not None and first.kind is StepKind.SENT else b""
        return ReplayedLink(self, step.said, joined_at, stop, counted)

    def lost(self, found: str) -> BenchError:
        """What to say when it was lost, or at the end of the capture."""
        self._said = f"Port {self.where} cannot be used: {found}."
        return CaptureEndedError(self.where) if self.over else CaptureSaysError(self._said)

    def pause(self, seconds: float, stop: threading.Event) -> None:
        """Nothing: the next step says when."""

    def peek(self, stop: threading.Event) -> Step | None:
        """The next step, at its time; None at the end."""
        if self.over:
            return None
        step = self._steps[self._next]
        self._clock.advance(step.at_s, stop)
        return step

    def take(self) -> None:
        """The next step has been replayed."""
        self._next += 1

    def take_counted(self) -> tuple[int, ...]:
        """What the driver had counted, where the next step says so; it stands at the moment of the one before."""
        if self.over or self._steps[self._next].kind is not StepKind.COUNTED:
            return ()
        self._next += 1
        return self._steps[self._next - 1].counters


class ReplayedLink:
    """The open line of a replay. ``counted`` is what the driver had counted before; empty where it does not count."""

    def __init__(
        self, line: ReplayedLine, state: str, joined_at: bytes, stop: threading.Event, counted: tuple[int, ...]
    ) -> None:
        self.state, self.joined_at = state or "joined while it was open", joined_at
        self._line, self._stop = line, stop
        self._reads = 0
        self.may_ask, self.counting = False, bool(counted)
        self._counted_before = counted
        self._news: tuple[int, ...] = ()

    def read(self, wait_s: float) -> bytes | None:
        """What came then; None where nothing came, or where a query was sent next."""
        self._news = self._line.take_counted() or self._news
        step = self._line.peek(self._stop)
        if step is None or self._stop.is_set():
            raise ValueError("the capture has ended")
        self.may_ask = step.kind is StepKind.SENT
        if self.may_ask and self._reads < MOST_READS:
            self._reads += 1
            return None
        if step.kind in {StepKind.OPENED, StepKind.JOINED, StepKind.REFUSED}:
            raise ValueError("it was opened again")
        self._reads = 0
        self._line.take()
        if step.kind is StepKind.CLOSED:
            raise ValueError(step.said)
        return step.data if step.kind is StepKind.RECEIVED else None

    def write(self, data: bytes) -> None:
        """A query is asked again, as it was then."""
        step = self._line.peek(self._stop)
        if step is not None and step.kind is StepKind.SENT:
            self._reads = 0
            self._line.take()

    def line_errors(self, at_s: float) -> LineErrors | None:
        """What the driver had counted since the replay opened or joined the line, where it changed then."""
        news, self._news = self._line.take_counted() or self._news, ()
        before = self._counted_before or (0,) * len(news)
        return LineErrors(at_s, *(new - old for new, old in zip(news, before, strict=True))) if news else None

    def close(self) -> None:
        """Nothing is open."""


@dataclass(frozen=True, slots=True)
class Replay:
    """A capture, ready to be read."""

    channel: ChannelEntry
    """As it was read when the capture was taken."""
    line: Line
    clock: ReplayClock
    capture: Capture

    def bench(self, bench: Bench) -> Bench:
        """A bench whose deciding channel is read as the capture was; instrument and calibration stay the bench's.

        Other channels are there only if they share its line, for what another line says today is of another time;
        what cannot be compared then is not.
        """
        read = {name: getattr(self.channel, name) for name in ("line", "value", "decimals", "whole_digits", "unit")}
        channel = bench.channel.model_copy(update=read)
        sharing = [one for one in bench.beside if one.line == bench.channel.line == channel.line]
        tags = {channel.tag, *(one.tag for one in sharing)}
        checks = tuple(check for check in bench.cross_check if tags.issuperset(check.channels))
        kept = (channel, *sharing) if sharing else ()
        return bench.model_copy(update={"channel": channel, "channels": kept, "cross_check": checks})


def replay_of(file: Path, speed: float | None) -> Replay:
    """Make a capture ready to be read.

    Args:
        file: the capture.
        speed: times faster than life; None: as fast as it goes.

    Raises:
        CaptureDamagedError: it is none, or was changed.
    """
    capture = load_capture(file)
    try:
        channel = ChannelEntry.model_validate(capture.header.channel)
    except ValidationError as failure:
        raise CaptureDamagedError(str(file), 1, "no channel that this version can read") from failure
    clock = ReplayClock(capture.header.at_s, speed)
    return Replay(channel, ReplayedLine(file.name, capture, clock), clock, capture)
