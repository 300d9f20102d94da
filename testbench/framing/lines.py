"""ASCII lines: a byte stream cut into whole lines, each matched against an exact number grammar.

This module may not know ports, clocks or calibrations. It never guesses: a line is a reading only if every one
of its bytes fits the grammar. After opening, everything up to the first terminator is thrown away, because the
stream may have been joined in the middle of a line. The buffer is bounded, because a wrong baud rate gives
endless bytes without a terminator.
"""

import re
from dataclasses import dataclass
from enum import StrEnum


class RejectReason(StrEnum):
    """Why bytes did not become a reading."""

    FIRST_PARTIAL = "first partial line after opening"
    NOT_A_NUMBER = "line does not fit the number format"
    TOO_LONG = "no line end within the longest line allowed"


@dataclass(frozen=True, slots=True)
class Reading:
    """A number as the instrument wrote it, scaled to an integer: ``+0250.13`` is 25013 with 2 decimals."""

    counts: int


@dataclass(frozen=True, slots=True)
class Rejected:
    """Bytes that are no reading, kept with the reason."""

    raw: bytes
    reason: RejectReason


class LineFramer:
    """Cuts a stream at ``\\n``, matches each line exactly, holds back a bounded remainder.

    Args:
        decimals: digits after the decimal point; the grammar is exact, so a shorter or longer line is rejected.
        whole_digits: digits before the point, sign apart.
        longest: bytes kept while waiting for a line end.
    """

    def __init__(self, decimals: int = 2, whole_digits: int = 4, longest: int = 64) -> None:
        point = rb"\.[0-9]{%d}" % decimals if decimals else b""
        self._number = re.compile(rb"[+-][0-9]{%d}%s\r" % (whole_digits, point))
        self._longest = longest
        self._held = bytearray()
        self._joined = False  # True once the first terminator has been seen
        self._overlong = False  # True while the rest of an overlong line is thrown away

    def reset(self) -> None:
        """Start as after opening a port: the first partial line will be dropped."""
        self._held.clear()
        self._joined = False
        self._overlong = False

    def feed(self, data: bytes) -> list[Reading | Rejected]:
        """Take bytes in whatever portions they come; give back what they complete, in order."""
        found: list[Reading | Rejected] = []
        self._held += data
        while (end := self._held.find(b"\n")) >= 0:
            line = bytes(self._held[:end])
            del self._held[: end + 1]
            found.extend(self._complete(line))
        if len(self._held) > self._longest:
            found.append(Rejected(bytes(self._held), RejectReason.TOO_LONG))
            self._held.clear()
            self._overlong = True
        return found

    def _complete(self, line: bytes) -> list[Reading | Rejected]:
        if not self._joined:
            self._joined = True
            return [Rejected(line, RejectReason.FIRST_PARTIAL)]
        if self._overlong or len(line) > self._longest:
            self._overlong = False
            return [Rejected(line, RejectReason.TOO_LONG)]
        if self._number.fullmatch(line) is None:
            return [Rejected(line, RejectReason.NOT_A_NUMBER)]
        return [Reading(int(line.replace(b".", b"").rstrip(b"\r")))]
