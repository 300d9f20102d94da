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
    r"""Cuts a stream at ``\n``, matches each line exactly, holds back a bounded remainder.

    What comes out depends on the bytes alone, never on the portions they came in. A line that is too long comes
    out in pieces of ``longest`` bytes, each rejected, and none of its bytes is lost.

    Args:
        decimals: digits after the decimal point; the grammar is exact, so a shorter or longer line is rejected.
        whole_digits: digits before the point, sign apart.
        longest: bytes kept while waiting for a line end; no line may be longer.
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
        while True:
            end = self._held.find(b"\n", 0, self._longest + 1)
            if end >= 0:
                found.append(self._complete(self._take(end)))
                del self._held[0]  # the line end
            elif len(self._held) > self._longest:
                self._overlong = True
                found.append(Rejected(self._take(self._longest), RejectReason.TOO_LONG))
            else:
                return found

    def _take(self, length: int) -> bytes:
        taken = bytes(self._held[:length])
        del self._held[:length]
        return taken

    def _complete(self, line: bytes) -> Reading | Rejected:
        joined, overlong = self._joined, self._overlong
        self._joined, self._overlong = True, False
        if not joined:
            return Rejected(line, RejectReason.FIRST_PARTIAL)
        if overlong:
            return Rejected(line, RejectReason.TOO_LONG)
        if self._number.fullmatch(line) is None:
            return Rejected(line, RejectReason.NOT_A_NUMBER)
        return Reading(int(line.replace(b".", b"").rstrip(b"\r")))
