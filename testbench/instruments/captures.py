"""Captures on disk, written beside a reader. Their form is ``framing/capture``."""

import contextlib
import hashlib
import threading
from pathlib import Path

from testbench import __version__
from testbench.errors import CaptureDamagedError, CaptureNotWrittenError
from testbench.framing.capture import Capture, CaptureText, Header, Step, StepKind, is_end, read_capture
from testbench.run.record import LineRecord
from testbench.station.bench import ChannelEntry
from testbench.station.ports import Clock

LARGEST_CAPTURE = 1_000_000_000  # bytes
FLUSHED_EVERY_S = 1.0
LONGEST_SEAL = 1000  # bytes, with room to spare
NOT_WRITTEN = "not written down: the recorder was interrupted"


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


def left_behind(folder: Path, run: str) -> LineRecord | None:
    """What an interrupted run has left of its raw bytes, as the file lies there; None where it kept none."""
    path = folder / f"{run}.capture"
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            file.seek(max(0, file.tell() - LONGEST_SEAL))
            last = file.readlines()[-1:]
    except OSError:
        return None
    ended = bool(last) and is_end(last[0])
    return LineRecord(settings=NOT_WRITTEN, opened=0, raw_file=path.name, raw_sha256=digest, raw_ended=ended)


def header_of(channel: ChannelEntry, clock: Clock) -> Header:
    """The header of a capture that begins now."""
    facts = channel.model_dump(mode="json", exclude_defaults=True, exclude={"calibration"})
    facts["line"] = channel.line.model_dump(mode="json")
    return Header(__version__, clock.utc().isoformat(timespec="milliseconds"), clock.elapsed_s(), facts)


class CaptureFile:
    """A capture that is being written. ``take`` may be called by another thread than the rest.

    Args:
        path: a file that does not exist yet.
        channel: how the line is read; of a polled one that is open already, a capture begins with a query.
        clock: of its reader.
        counted: what the driver had counted when the capture began on an open line, as the newest step said it.

    Raises:
        CaptureNotWrittenError: the file is there already, or the folder cannot be written.
    """

    def __init__(self, path: Path, channel: ChannelEntry, clock: Clock, counted: str = "") -> None:
        self.path = path
        self._counted = counted
        self._clock, self._polled = clock, channel.framer() is None
        header = header_of(channel, clock)
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
            if self.failed or self._file.closed:
                return
            try:
                if not self._begins_with(step):
                    return
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
            if self._counted:
                self._file.write(self._text.step(Step(step.at_s, StepKind.COUNTED, self._counted)))
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


class RunCaptures:
    """The raw bytes of each run, in a file of its own. ``tap`` is called by the reader's thread.

    Args:
        folder: where the files lie.
        channel: how the line is read.
        clock: of its reader.
        named: what the name of a file has behind that of its run, where a bench has several lines.
    """

    def __init__(self, folder: Path, channel: ChannelEntry, clock: Clock, named: str = "") -> None:
        self._folder, self._channel, self._clock, self._named = folder, channel, clock, named
        self._file: CaptureFile | None = None
        self._counted = ""

    def tap(self, step: Step) -> None:
        """Keep a step of the run under way; between runs nothing is kept but what the driver has counted."""
        if step.kind in {StepKind.OPENED, StepKind.COUNTED}:
            self._counted = step.said if step.kind is StepKind.COUNTED else ""
        if (file := self._file) is not None:
            file.take(step)

    def begin(self, run: str) -> None:
        """Begin a file named after the run.

        Raises:
            CaptureNotWrittenError: it cannot be written.
        """
        path = self._folder / f"{run}{self._named}.capture"
        self._file = CaptureFile(path, self._channel, self._clock, self._counted)

    def end(self) -> tuple[str, str]:
        """Close it; gives its name and SHA-256, both empty where none was begun.

        Raises:
            CaptureNotWrittenError: it could not be written to its end.
        """
        file, self._file = self._file, None
        return ("", "") if file is None else (file.path.name, file.close())
