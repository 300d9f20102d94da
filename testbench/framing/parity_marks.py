r"""Marks that the kernel puts into the bytes where it checks parity (POSIX termios, ``INPCK | PARMRK``).

A byte x with a parity or framing error arrives as ``\xff \x00 x``, a sound ``\xff`` as ``\xff \xff``.
"""

import re
from dataclasses import dataclass

_SEQUENCE = re.compile(rb"\xff(?:\xff|\x00.|\x00?\Z|)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Unmarked:
    """Bytes as they were on the line."""

    data: bytes
    damaged_at: int | None
    """Place in ``data`` of the first damaged byte."""


def unmark(raw: bytes) -> Unmarked:
    """Take the marks out. A mark that is cut off at the end gives no byte; one that no kernel writes is damage."""
    data, damaged_at, done = bytearray(), None, 0
    for mark in _SEQUENCE.finditer(raw):
        data += raw[done : mark.start()]
        done = mark.end()
        found = mark[0]
        if found == b"\xff\xff":
            data += b"\xff"
            continue
        if len(found) < 3 and done == len(raw):
            break
        damaged_at = len(data) if damaged_at is None else damaged_at
        data += found[2:] or found
    data += raw[done:]
    return Unmarked(bytes(data), damaged_at)
