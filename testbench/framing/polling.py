"""Who speaks when on a polled line: one query at a time, silence between, and no answer to an earlier query.

On a serial line an answer carries no number, so a late one looks like the answer to the next query; on TCP it carries
one, but not every device puts the right one on it. Therefore, after an answer that stayed out, the line is left silent
for one more time-out; the first answer after it is thrown away, because it may be the missing one; and the line is
left silent again for long enough that whatever is still owed has come. The same silence follows bytes that nobody
asked for. A device whose answers all come late gives no values.

Pure: times come in, queries and answers come out. The driver sends, waits and reads.
"""

from dataclasses import dataclass
from enum import Enum, auto

from testbench.framing.exchange import Conversation
from testbench.framing.readings import Found, Reading, Rejected, RejectReason


@dataclass(frozen=True, slots=True)
class Timing:
    """When to ask and how long to wait [s]."""

    every_s: float
    """From one query to the next."""
    answer_within_s: float
    """From the query to the whole answer; three times what the device needs at worst (common practice)."""
    gap_s: float = 0.0
    """Silence that the protocol demands before each query."""


@dataclass(frozen=True, slots=True)
class Answered:
    """What came of a query, with both ends: the value was measured in between [s]."""

    sent_s: float
    at_s: float
    found: Found


class _Trust(Enum):
    FULL = auto()
    OWED = auto()
    """An answer stayed out, or a late one came: the next one may be another."""
    SETTLING = auto()
    """Silence until everything owed has come."""


SETTLED_AFTER = 3
"""Time-outs of silence. Queries are two time-outs apart while answers stay out, so late answers are as well."""


class Poller:
    """The course of one polled line.

    Args:
        conversation: the protocol.
        timing: when to ask and how long to wait.
    """

    def __init__(self, conversation: Conversation, timing: Timing) -> None:
        self._talk, self._timing = conversation, timing
        self._waiting = False
        self._trust = _Trust.FULL
        self._led = False  # whether a replay says when to ask
        self._sent_s = self._due_s = 0.0
        self.next_s = 0.0
        """When ``wake`` is to be called next."""
        self.asked = self.late = 0
        """Queries sent; times that bytes came which no query waited for."""

    @property
    def broken(self) -> bool:
        """Whether the connection must be made again."""
        return self._talk.broken

    def opened(self, now: float, joined_at: bytes = b"") -> None:
        """The port was opened: a time-out of silence, for somebody may have asked before.

        Args:
            now: when [s].
            joined_at: the query that comes next, where a replay begins in the middle of a conversation.
        """
        self._talk.reset()
        self._waiting = False
        self._trust = _Trust.FULL
        self.next_s = self._due_s = now + self._timing.answer_within_s
        self._led = bool(joined_at)
        if joined_at:
            self._talk.resume(joined_at)
            self.next_s = self._due_s = now

    def wake(self, now: float, *, may_ask: bool = True) -> tuple[bytes, tuple[Answered, ...]]:
        """The time ``next_s`` has come: give up an answer, or ask.

        Args:
            now: when [s].
            may_ask: False where a replay holds no query at this moment.

        Returns:
            A query to send at once, or nothing; and what was settled.
        """
        if now < self.next_s or not (self._waiting or may_ask):
            return b"", ()
        if self._waiting:
            return b"", (self._give_up(now),)
        if self._trust is _Trust.SETTLING:
            self._trust = _Trust.FULL
        missed = max(0.0, now - self._due_s) // self._timing.every_s
        self._due_s = now if self._led else self._due_s + (missed + 1) * self._timing.every_s
        self._waiting, self._sent_s = True, now
        self.asked += 1
        self.next_s = now + self._timing.answer_within_s
        return self._talk.ask(), ()

    def feed(self, now: float, data: bytes) -> tuple[Answered, ...]:
        """Take bytes that came; what they settle."""
        late = self._waiting and now > self.next_s  # this program stood still: when they came is not known
        out = [self._give_up(now)] if late else []
        found = self._talk.feed(data)
        if found is not None:
            out.append(self._answer(now, found, data))
        stray = self._talk.unasked()
        if stray is not None:
            self.late += 1
            out.append(Answered(self._sent_s, now, stray))
            if self._waiting:
                self._trust = _Trust.OWED
            else:
                self._settle(now)
        if not self._waiting:
            self.next_s = max(self.next_s, now + self._timing.gap_s)
        return tuple(out)

    def _answer(self, now: float, found: Found, data: bytes) -> Answered:
        self._waiting = False
        self.next_s = max(self._due_s, now + self._timing.gap_s)
        if self._trust is _Trust.OWED:
            self._settle(now)
            if isinstance(found, Reading):
                found = Rejected(data, RejectReason.DOUBTFUL)
        return Answered(self._sent_s, now, found)

    def _give_up(self, now: float) -> Answered:
        self._waiting = False
        self._trust = _Trust.OWED
        self.next_s = max(self._due_s, self._sent_s + 2 * self._timing.answer_within_s)
        return Answered(self._sent_s, now, self._talk.give_up())

    def _settle(self, now: float) -> None:
        self._trust = _Trust.SETTLING
        self.next_s = max(self._due_s, now + SETTLED_AFTER * self._timing.answer_within_s)
