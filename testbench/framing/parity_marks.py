r"""Marks that the kernel puts into the bytes where it checks parity (POSIX termios, ``INPCK | PARMRK``).

A byte x with a parity or framing error arrives as ``\xff \x00 x``, a sound ``\xff`` as ``\xff \xff``.
"""

import re
from dataclasses import dataclass

_SEQUENCE = re.compile(rb"\xff(?:\xff|\x00.|)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Unmarked:
    """Bytes as they were on the line."""

    data: bytes
    damaged_at: int | None
    """Place in ``data`` of the first damaged byte."""


class ParityMarks:
    """Takes the marks out of a stream, in whatever portions it comes."""

    def __init__(self) -> None:
        self._begun = b""

    def feed(self, raw: bytes) -> Unmarked:
        """Take bytes; a mark that is cut off is held back. A mark that no kernel writes is damage."""
        raw = self._begun + raw
        whole = self._whole(raw)
        raw, self._begun = raw[:whole], raw[whole:]
        data, damaged_at, done = bytearray(), None, 0
        for mark in _SEQUENCE.finditer(raw):
            data += raw[done : mark.start()]
            done, found = mark.end(), mark[0]
            if found == b"\xff\xff":
                data += b"\xff"
                continue
            damaged_at = len(data) if damaged_at is None else damaged_at
            data += found[2:] or found
        return Unmarked(bytes(data + raw[done:]), damaged_at)

    @staticmethod
    def _whole(raw: bytes) -> int:
        """How many bytes hold whole marks only."""
        for mark in _SEQUENCE.finditer(raw):
            if mark.end() - mark.start() == 1 and raw[mark.start() :] in {b"\xff", b"\xff\x00"}:
                return mark.start()
        return len(raw)
