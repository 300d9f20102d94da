"""One query and its answer at a time: what came belongs to the answer, is an echo, or nobody asked for it.

What comes out depends on the bytes and on when the query was asked and given up, never on the portions they came in.
"""

from collections.abc import Callable
from typing import NamedTuple, Protocol

from testbench.framing.parity_marks import ParityMarks, Unmarked
from testbench.framing.readings import Found, Rejected, RejectReason

Judge = Callable[[bytes, bool], "Judged | None"]
"""Bytes so far, and whether no more will come → what they are; None while the answer may still become whole."""


class Judged(NamedTuple):
    """An answer and how many bytes it took."""

    found: Found
    length: int


class Conversation(Protocol):
    """A protocol of queries and answers, without port and clock."""

    broken: bool
    """Whether the stream is beyond repair and the connection must be made again."""

    def reset(self) -> None:
        """Start as after opening a port."""

    def resume(self, query: bytes) -> None:
        """Let the next query be this one, by its number, where queries carry one."""

    def ask(self) -> bytes:
        """Open an exchange: the query to send."""

    def feed(self, data: bytes) -> Found | None:
        """Take bytes; the answer to the open query, as soon as they settle it."""

    def give_up(self) -> Rejected:
        """The time allowed is over: close the exchange and say what is there instead of an answer."""

    def unasked(self) -> Rejected | None:
        """What has come since the last call that no open query waited for."""


class Exchange:
    """Queries and answers that carry no number, as on a serial line.

    Args:
        query: the bytes that ask, always the same.
        judge: decides on the bytes of an answer.
        longest: bytes an answer may have.
        marked: whether the kernel marks damaged bytes (``parity_marks``).
        echoed: whether the adapter hands our own bytes back before the answer.
    """

    broken = False

    def __init__(self, query: bytes, judge: Judge, longest: int, *, marked: bool = False, echoed: bool = False) -> None:
        self._query, self._judge = query, judge
        self._longest = longest + (len(query) if echoed else 0)
        self._marked, self._echoed = marked, echoed
        self.reset()

    def reset(self) -> None:
        """Start as after opening a port."""
        self._marks = ParityMarks()
        self._held, self._stray = bytearray(), bytearray()
        self._damaged_at: int | None = None
        self._open = False

    def resume(self, query: bytes) -> None:
        """Nothing: queries carry no number."""

    def ask(self) -> bytes:
        """Open an exchange: the query to send."""
        self._open = True
        self._damaged_at = None
        return self._query

    def feed(self, data: bytes) -> Found | None:
        """Take bytes; the answer to the open query, as soon as they settle it."""
        line = self._marks.feed(data) if self._marked else Unmarked(data, None)
        if not self._open:
            self._stray += line.data
            return None
        if line.damaged_at is not None and self._damaged_at is None:
            self._damaged_at = len(self._held) + line.damaged_at
        self._held += line.data
        return self._settle(over=False)

    def give_up(self) -> Rejected:
        """Close the exchange: nothing, a cut answer, or bytes that are none."""
        found = self._settle(over=True)
        assert isinstance(found, Rejected)  # a whole answer would have settled it before
        return found

    def unasked(self) -> Rejected | None:
        """What has come since the last call that no open query waited for."""
        if not self._stray:
            return None
        raw = bytes(self._stray)
        self._stray.clear()
        return Rejected(raw, RejectReason.LATE)

    def _settle(self, *, over: bool) -> Found | None:
        data = bytes(self._held)
        judged = self._judged(data[: self._longest], over)
        if judged is None and len(data) >= self._longest:
            judged = Judged(Rejected(data[: self._longest], RejectReason.TOO_LONG), self._longest)
        if judged is None:
            return None
        found, length = judged
        if self._damaged_at is not None and self._damaged_at < length:
            found = Rejected(data[:length], RejectReason.DAMAGED)
        self._stray += data[length:]
        self._held.clear()
        self._open = False
        return found

    def _judged(self, data: bytes, over: bool) -> Judged | None:  # noqa: FBT001 - a Judge's own arguments
        query, size = self._query, len(self._query)
        if not data and over:
            return Judged(Rejected(b"", RejectReason.NO_ANSWER), 0)
        if self._echoed:
            return self._after_echo(data, over)
        judged = self._judge(data, over)
        if judged is None or not isinstance(judged.found, Rejected):
            return judged
        if data.startswith(query):
            return Judged(Rejected(query, RejectReason.ECHO), size)
        return judged if over or not query.startswith(data) else None  # it may yet become an echo

    def _after_echo(self, data: bytes, over: bool) -> Judged | None:  # noqa: FBT001 - a Judge's own arguments
        size = len(self._query)
        echo, rest = data[:size], data[size:]
        if len(echo) == size and echo != self._query:
            return Judged(Rejected(echo, RejectReason.ECHO_SPOILT), size)
        if over and not rest:
            return Judged(Rejected(data, RejectReason.NO_ANSWER if len(echo) == size else RejectReason.CUT), len(data))
        judged = self._judge(rest, over) if len(echo) == size else None
        return judged and Judged(judged.found, judged.length + size)


def line_judge(read: Callable[[bytes], Found], delimiter: bytes) -> Judge:
    """An answer that is one line: everything up to the delimiter, read by a grammar."""

    def judge(data: bytes, over: bool) -> Judged | None:  # noqa: FBT001 - a Judge's own arguments
        end = data.find(delimiter)
        if end >= 0:
            return Judged(read(data[:end]), end + len(delimiter))
        return Judged(Rejected(data, RejectReason.CUT), len(data)) if over else None

    return judge
