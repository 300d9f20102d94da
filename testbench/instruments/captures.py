"""Captures on disk: written beside a reader, and replayed through the very same reader.

The form of the file is ``framing/capture``.
"""

import contextlib
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from testbench.errors import (
    BenchError,
    CaptureDamagedError,
    CaptureEndedError,
    CaptureNotWrittenError,
    CaptureSaysError,
)
from testbench.framing.capture import Capture, CaptureText, Header, Step, StepKind, read_capture
from testbench.instruments.links import Link
from testbench.station.acquisition import LineErrors
from testbench.station.ports import Clock

LARGEST_CAPTURE = 1_000_000_000  # bytes
FLUSHED_EVERY_S = 1.0
MOST_READS = 3
"""Of a query that was captured and is not asked: to give up an answer, to ask, and once more."""


def load_capture(path: Path) -> Capture:
    """Read a capture file.

    Raises:
        CaptureDamagedError: it cannot be read, is none, or was changed.
    """
    try:
        if not path.is_file() or path.stat().st_size > LARGEST_CAPTURE:
            raise CaptureDamagedError(str(path), 1, "no ordinary file of at most 1 GB")
        return read_capture(str(path), path.read_bytes())
    except OSError as failure:
        raise CaptureDamagedError(str(path), 1, failure.strerror or str(failure)) from failure


class CaptureFile:
    """A capture that is being written. ``take`` may be called by another thread than the rest.

    Args:
        path: a file that does not exist yet.
        header: its first line.
        clock: for its seals.
        polled: whether the line is polled; then a capture that joins it begins with a query.

    Raises:
        CaptureNotWrittenError: the file is there already, or the folder cannot be written.
    """

    def __init__(self, path: Path, header: Header, clock: Clock, *, polled: bool = False) -> None:
        self.path = path
        self._clock, self._polled = clock, polled
        self._text, self._lock = CaptureText(), threading.Lock()
        self._begun, self._flushed_s = False, header.at_s
        self.failed = ""
        """Why nothing more is written, as on a full disk; the reader goes on."""
        try:
            self._file = path.open("xb")
            self._file.write(self._text.header(header))
        except OSError as failure:
            raise CaptureNotWrittenError(str(path), failure.strerror or str(failure)) from failure

    def take(self, step: Step) -> None:
        """Write a step; on failure stop writing and remember why."""
        with self._lock:
            if self.failed or self._file.closed or not self._begins_with(step):
                return
            try:
                self._file.write(self._text.step(step))
                if self._text.owes_seal:
                    self._file.write(self._text.seal(step.at_s, self._utc()))
                if step.at_s - self._flushed_s >= FLUSHED_EVERY_S:
                    self._flushed_s = step.at_s
                    self._file.flush()
            except OSError as failure:
                self.failed = failure.strerror or str(failure)

    def _begins_with(self, step: Step) -> bool:
        """Whether the capture has begun; a line that is open already is joined where it can be replayed from."""
        if not self._begun and step.kind not in {StepKind.OPENED, StepKind.REFUSED}:
            if self._polled and step.kind is not StepKind.SENT:
                return False
            self._file.write(self._text.step(Step(step.at_s, StepKind.JOINED)))
        self._begun = True
        return True

    def close(self) -> str:
        """Seal and close it.

        Returns:
            SHA-256 of the whole file.

        Raises:
            CaptureNotWrittenError: it could not be written to its end.
        """
        with self._lock:
            try:
                if not self.failed:
                    self._file.write(self._text.seal(self._clock.elapsed_s(), self._utc(), end=True))
                self._file.close()
            except OSError as failure:
                self.failed = failure.strerror or str(failure)
                with contextlib.suppress(OSError):
                    self._file.close()
            if self.failed:
                raise CaptureNotWrittenError(str(self.path), self.failed)
            return self._text.sha256

    def _utc(self) -> str:
        return self._clock.utc().isoformat(timespec="milliseconds")


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
        first = self.peek(stop) if step.kind is StepKind.JOINED else None
        joined_at = first.data if first is not None and first.kind is StepKind.SENT else b""
        return ReplayedLink(self, step.said, joined_at, stop)

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


class ReplayedLink:
    """The open line of a replay."""

    def __init__(self, line: ReplayedLine, state: str, joined_at: bytes, stop: threading.Event) -> None:
        self.state, self.joined_at = state or "joined while it was open", joined_at
        self._line, self._stop = line, stop
        self._reads = 0

    def read(self, wait_s: float) -> bytes | None:
        """What came then; None where nothing came, or where a query was sent next."""
        step = self._line.peek(self._stop)
        if step is None or self._stop.is_set():
            raise ValueError("the capture has ended")
        if step.kind is StepKind.SENT and self._reads < MOST_READS:
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
        """Not captured."""
        return None

    def close(self) -> None:
        """Nothing is open."""
