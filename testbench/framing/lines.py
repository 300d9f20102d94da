"""ASCII lines: a byte stream cut into whole lines, each matched against an exact grammar.

This module may not know ports, clocks or calibrations. It never guesses: a line is a reading only if every one
of its bytes fits the grammar. After opening, everything up to the first terminator is thrown away, because the
stream may have been joined in the middle of a line. The buffer is bounded, because a wrong baud rate gives
endless bytes without a terminator.
"""

from testbench.framing.ascii_grammar import LineGrammar, plain
from testbench.framing.parity_marks import ParityMarks
from testbench.framing.readings import Found, Reading, Rejected, RejectReason

__all__ = ["GrammarFramer", "LineFramer", "Reading", "RejectReason", "Rejected"]
LONGEST = 64


class GrammarFramer:
    r"""Cuts a stream at the last byte of the delimiter, matches each line exactly, holds back a bounded remainder.

    What comes out depends on the bytes alone, never on the portions they came in. A line that is too long comes
    out in pieces of ``longest`` bytes, each rejected, and none of its bytes is lost. Of a delimiter of two bytes, the
    first must stand at the end of the line: ``+0250.13\n`` is no line where ``\r\n`` is agreed.

    Args:
        grammar: what a line consists of.
        delimiter: one byte, or two different ones.
        longest: bytes kept while waiting for a line end; no line may be longer.
        marked: whether the kernel marks damaged bytes (``parity_marks``).
    """

    def __init__(
        self, grammar: LineGrammar, delimiter: bytes = b"\r\n", longest: int = LONGEST, *, marked: bool = False
    ) -> None:
        self._grammar = grammar
        self._before_end, self._end = delimiter[:-1], delimiter[-1:]
        self._longest = longest
        self._marked = marked
        self._held = bytearray()
        self._joined = False  # True once the first terminator has been seen
        self._overlong = False  # True while the rest of an overlong line is thrown away

    def reset(self) -> None:
        """Start as after opening a port: the first partial line will be dropped."""
        self._held.clear()
        self._joined = False
        self._overlong = False

    def feed(self, data: bytes) -> list[Found]:
        """Take bytes in whatever portions they come; give back what they complete, in order."""
        found: list[Found] = []
        self._held += data
        while True:
            end = self._held.find(self._end, 0, self._longest + 1)
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

    def _complete(self, line: bytes) -> Found:
        joined, overlong = self._joined, self._overlong
        self._joined, self._overlong = True, False
        if not joined:
            return Rejected(line, RejectReason.FIRST_PARTIAL)
        if overlong:
            return Rejected(line, RejectReason.TOO_LONG)
        if self._marked and b"\xff" in line:  # a sound line of text has no such byte
            damaged = ParityMarks().feed(line + self._end).damaged_at is not None
            return Rejected(line, RejectReason.DAMAGED if damaged else RejectReason.NOT_A_NUMBER)
        if not line.endswith(self._before_end):
            return Rejected(line, RejectReason.NOT_A_NUMBER)
        found = self._grammar.read(line.removesuffix(self._before_end))
        return found if isinstance(found, Reading) else Rejected(line, found.reason, found.detail)


class LineFramer(GrammarFramer):
    """The framer of plain lines such as ``+0250.13``.

    Args:
        decimals: digits after the decimal point; the grammar is exact, so a shorter or longer line is rejected.
        whole_digits: digits before the point, sign apart.
        longest: bytes kept while waiting for a line end; no line may be longer.
        marked: whether the kernel marks damaged bytes (``parity_marks``).
    """

    def __init__(
        self, decimals: int = 2, whole_digits: int = 4, longest: int = LONGEST, *, marked: bool = False
    ) -> None:
        super().__init__(plain(decimals, whole_digits), longest=longest, marked=marked)
