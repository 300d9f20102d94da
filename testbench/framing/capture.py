r"""Captures: what went over a line, byte for byte, with the stamps that the reader gave it.

A capture is a text file, ASCII, one JSON object a line, only ever added to:

1. The **header**: ``{"capture": 1, "software": …, "utc": …, "at": seconds, "channel": {…}}``. ``channel`` is the
   table of bench.toml that the line was read with, its ``line`` in it; ``utc`` and ``at`` are one moment on both
   clocks.
2. **Steps**: ``{"at": seconds, KIND: text}`` in the order in which they happened, ``at`` on the reader's monotonic
   clock. ``received`` and ``sent`` carry bytes, byte n as the character U+00nn; ``opened`` the state of the line;
   ``joined`` the same of a line that was open before the capture began; ``closed`` and ``refused`` what was found;
   ``quiet`` nothing: the reader waited, and nothing came. ``counted`` carries five whole numbers with blanks between
   them: the framing errors, overruns, parity errors, breaks and overruns of its own buffer that the driver has counted
   since the line was opened. It stands directly behind ``opened`` where the driver counts, behind ``joined`` where it
   had counted before, and wherever a number has changed.
3. **Seals**: ``{"at": seconds, "utc": …, "sha256": …}``, one every few hundred steps and one at the end, there with
   ``"end": true``. The hash is that of all bytes of the file before this line. A file that was cut off is good up to
   its last whole line; what stands after its last seal is read, but nothing vouches for it.

Lines end in ``\n``. Seconds are written so that they read back as the very same binary64 numbers.
"""

import hashlib
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Any

from testbench.errors import CaptureDamagedError

SEALED_EVERY = 256
COUNTERS = 5
LONGEST_LINE = 200_000  # characters; a read brings 4096 bytes at most


class StepKind(StrEnum):
    """What happened."""

    OPENED = "opened"
    JOINED = "joined"
    RECEIVED = "received"
    SENT = "sent"
    QUIET = "quiet"
    CLOSED = "closed"
    REFUSED = "refused"
    COUNTED = "counted"


@dataclass(frozen=True, slots=True)
class Step:
    """Something that happened on a line [s on the reader's clock]."""

    at_s: float
    kind: StepKind
    said: str = ""

    @classmethod
    def of(cls, at_s: float, kind: StepKind, data: bytes) -> "Step":
        """A step that carries bytes."""
        return cls(at_s, kind, data.decode("latin-1"))

    @property
    def data(self) -> bytes:
        """The bytes of a step that carries some."""
        return self.said.encode("latin-1")

    @property
    def counters(self) -> tuple[int, ...]:
        """The numbers of a step that carries counted errors."""
        return tuple(int(number) for number in self.said.split())


@dataclass(frozen=True, slots=True)
class Header:
    """How a line was read, and when it began on both clocks."""

    software: str
    utc: str
    at_s: float
    channel: dict[str, Any]
    """The table of bench.toml, its ``line`` in it."""


class CaptureText:
    """Writes a capture as text: what to add to the file, line by line."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self._unsealed = 0

    def header(self, header: Header) -> bytes:
        """The first line."""
        facts = {"software": header.software, "utc": header.utc, "at": header.at_s, "channel": header.channel}
        return self._line({"capture": 1, **facts})

    def step(self, step: Step) -> bytes:
        """One step."""
        self._unsealed += 1
        return self._line({"at": step.at_s, str(step.kind): step.said})

    @property
    def owes_seal(self) -> bool:
        """Whether a seal is due."""
        return self._unsealed >= SEALED_EVERY

    def seal(self, at_s: float, utc: str, *, end: bool = False) -> bytes:
        """The hash of everything so far."""
        self._unsealed = 0
        sealed = {"at": at_s, "utc": utc, "sha256": self._hash.hexdigest()}
        return self._line(sealed | {"end": True} if end else sealed)

    @property
    def sha256(self) -> str:
        """Of the whole file as it stands now."""
        return self._hash.hexdigest()

    def _line(self, value: dict[str, Any]) -> bytes:
        line = json.dumps(value, separators=(",", ":")).encode() + b"\n"
        self._hash.update(line)
        return line


@dataclass(frozen=True, slots=True)
class Capture:
    """A capture that was read."""

    header: Header
    steps: tuple[Step, ...]
    ended: bool
    """Whether it was closed; a capture that was cut off was not."""
    unsealed: int
    """Steps after the last seal: nothing vouches for them."""

    def without_end(self, name: str) -> str:
        """What to say of a capture that was not closed; empty where it was.

        Args:
            name: of the file.
        """
        if self.ended:
            return ""
        steps = "1 step stands" if self.unsealed == 1 else f"{self.unsealed} steps stand"
        return (
            f"Capture {name} has no end seal: it was cut off, or is still being written. "
            f"{steps} after its last seal, and nothing vouches for them."
        )


def is_end(line: bytes) -> bool:
    """Whether this last line of a capture, with what ends it, is the seal that closes it."""
    try:
        value = json.loads(line) if line.endswith(b"\n") else None
    except ValueError:
        return False
    return isinstance(value, dict) and value.get("end") is True


def read_capture(name: str, data: bytes) -> Capture:
    """Read a capture and check its seals. A last line that was cut off is left out.

    Args:
        name: of the file, for refusals.
        data: the whole file.

    Raises:
        CaptureDamagedError: it is none, a line is not as above, or a seal does not fit.
    """
    lines = data.split(b"\n")[:-1]
    if not lines:
        raise CaptureDamagedError(name, 1, "no whole line")
    header = _header(name, lines[0])
    steps, ended, unsealed, running = [], False, 0, hashlib.sha256(lines[0] + b"\n")
    for number, line in enumerate(lines[1:], 2):
        if ended:
            raise CaptureDamagedError(name, number, "a line after the end")
        value = _object(name, number, line)
        if "sha256" in value:
            if value["sha256"] != running.hexdigest():
                raise CaptureDamagedError(name, number, "a seal that does not fit the lines before it")
            ended, unsealed = bool(value.get("end")), 0
        else:
            steps.append(_step(name, number, value))
            unsealed += 1
            if not (steps[-2].at_s if len(steps) > 1 else header.at_s) <= steps[-1].at_s < inf:
                raise CaptureDamagedError(name, number, f"the time {steps[-1].at_s} after a later one")
        running.update(line + b"\n")
    return Capture(header, tuple(steps), ended, unsealed)


def _object(name: str, number: int, line: bytes) -> dict[str, Any]:
    try:
        value = json.loads(line) if len(line) <= LONGEST_LINE else None
    except (ValueError, RecursionError) as failure:
        raise CaptureDamagedError(name, number, "no JSON object") from failure
    if not isinstance(value, dict):
        raise CaptureDamagedError(name, number, "no JSON object")
    return value


def _header(name: str, line: bytes) -> Header:
    value = _object(name, 1, line)
    channel, at = value.get("channel"), value.get("at")
    if value.get("capture") != 1 or not isinstance(channel, dict) or not isinstance(at, int | float):
        raise CaptureDamagedError(name, 1, "no header of a capture")
    return Header(str(value.get("software")), str(value.get("utc")), float(at), channel)


def _step(name: str, number: int, value: dict[str, Any]) -> Step:
    found: Iterator[StepKind] = (kind for kind in StepKind if kind in value)
    kind, at = next(found, None), value.get("at")
    if kind is None or not isinstance(at, int | float) or not isinstance(value[kind], str):
        raise CaptureDamagedError(name, number, "no step of a capture")
    step = Step(float(at), kind, value[kind])
    if kind in {StepKind.RECEIVED, StepKind.SENT} and not all(character < "\u0100" for character in step.said):
        raise CaptureDamagedError(name, number, "characters that are no bytes")
    if kind is StepKind.COUNTED and not re.fullmatch(rf"[0-9]{{1,10}}( [0-9]{{1,10}}){{{COUNTERS - 1}}}", step.said):
        raise CaptureDamagedError(name, number, f"counters that are not {COUNTERS} whole numbers")
    return step
