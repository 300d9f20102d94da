"""What decoders give out: readings as whole counts, or rejected bytes with the reason.

A number that does not come as digits (a float32 register, an exponent) becomes a count at a stated number of
decimals: its exact value, rounded half to even, so that the core decides on integers only.
"""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction


class RejectReason(StrEnum):
    """Why bytes did not become a reading."""

    FIRST_PARTIAL = "first partial line after opening"
    NOT_A_NUMBER = "line does not fit the number format"
    TOO_LONG = "no line end within the longest line allowed"
    DAMAGED = "a byte arrived with a parity or framing error"
    CHECKSUM = "the checksum does not fit the bytes"
    OVER_RANGE = "the instrument says that it is above its range"
    UNDER_RANGE = "the instrument says that it is below its range"
    FAULT = "the instrument reports a fault"
    NOT_FINITE = "the number is infinite or none"
    NO_ANSWER = "no answer within the time allowed"
    CUT = "the answer broke off"
    LATE = "bytes that no query waits for, such as an answer after its time"
    DOUBTFUL = "the first answer after a missing one may belong to the earlier query"
    ECHO = "our own query came back instead of an answer"
    ECHO_SPOILT = "the echo differs from the query, so two devices spoke at once"
    FOREIGN_UNIT = "another unit answered"
    FOREIGN_FUNCTION = "the answer is to another function"
    WRONG_LENGTH = "the answer has another length than was asked for"
    EXCEPTION = "the device refused the query"
    BROKEN_STREAM = "bytes that begin no frame of this protocol"


class Meaning(StrEnum):
    """What a status code says about the reading beside it."""

    GOOD = "good"
    OVER_RANGE = "over range"
    UNDER_RANGE = "under range"
    FAULT = "fault"

    @property
    def reason(self) -> RejectReason | None:
        """Why a reading with this status is none; None where it is good."""
        return _REASONS[self]


_REASONS = {
    Meaning.GOOD: None,
    Meaning.OVER_RANGE: RejectReason.OVER_RANGE,
    Meaning.UNDER_RANGE: RejectReason.UNDER_RANGE,
    Meaning.FAULT: RejectReason.FAULT,
}


@dataclass(frozen=True, slots=True)
class Reading:
    """Numbers as the instrument gave them, scaled to integers: ``+0250.13`` is 25013 with 2 decimals."""

    counts: int
    further: tuple[int, ...] = ()
    """The other values of the same line or answer, in the order of the settings."""

    def of(self, index: int) -> int:
        """One of the values, in their order."""
        return self.counts if index == 0 else self.further[index - 1]


@dataclass(frozen=True, slots=True)
class Rejected:
    """Bytes that are no reading, kept with the reason."""

    raw: bytes
    reason: RejectReason
    detail: str = ""
    """What exactly, where the reason alone does not say: a code, a unit, a length."""


Found = Reading | Rejected


def reading(counts: list[int]) -> Reading:
    """The values of one line or answer."""
    return Reading(counts[0], tuple(counts[1:]))


def counts_of(value: float | Decimal | Fraction, decimals: int) -> int:
    """A finite number as whole counts of its last decimal: exact value, rounded half to even."""
    counts: int = round(Fraction(value) * 10**decimals)
    return counts
