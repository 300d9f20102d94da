"""The register of withdrawn documents: which number no longer counts, why, and what takes its place. Pure.

A document that left is never changed or deleted: a new one says that it replaces it (ISO/IEC 17025:2017, 7.8.8, from
memory: a new report is uniquely identified and refers to the one that it replaces).
"""

from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Annotated, Literal

from pydantic import Field

from testbench.errors import WithdrawalRefusedError
from testbench.procedure.valve import Text, Value
from testbench.run.signature import Sha256

LONGEST_WORDS = 300
Why = Annotated[str, Field(min_length=1, max_length=LONGEST_WORDS)]


class Withdrawal(Value):
    """A document that no longer counts."""

    format: Literal[1] = 1
    number: Text
    """Of the document."""
    serial: Text
    run: Text
    record_sha256: Sha256
    files: tuple[Sha256, ...]
    """SHA-256 of the file as it was issued, and as it was stamped afterwards."""
    why: Why
    by: Text
    person: str
    """Id of who was authenticated; empty where nobody is registered: named, not authenticated."""
    at: Text
    """UTC, ISO 8601."""
    replaced_by: str = ""
    """Number of the document that takes its place; empty where none does."""

    @property
    def sentence(self) -> str:
        """What a person reads."""
        what = f"replaced by {self.replaced_by}" if self.replaced_by else "withdrawn"
        return f"{self.number} was {what} on {self.at[:10]} by {self.by}: {self.why.rstrip('.')}."


def number_of(path: str) -> str:
    """The number of the document that lies in a file."""
    return PurePosixPath(path).stem.partition("_")[0]


def words_on(withdrawals: Sequence[Withdrawal], number: str, record_sha256: str) -> tuple[Withdrawal, ...]:
    """What a register says of a document, in the order of entry; nothing where it counts."""
    return tuple(one for one in withdrawals if (one.number, one.record_sha256) == (number, record_sha256))


def in_force(withdrawals: Sequence[Withdrawal], number: str) -> Withdrawal | None:
    """The newest word on a document; None where it counts."""
    return next((one for one in reversed(withdrawals) if one.number == number), None)


def check_withdrawal(known: Sequence[Withdrawal], new: Withdrawal) -> None:
    """Refuse what says nothing new.

    Args:
        known: the register, in the order of entry.
        new: what is to be added to it.

    Raises:
        WithdrawalRefusedError: the document is withdrawn already, or is replaced for the reason that withdrew it.
    """
    before = in_force(known, new.number)
    if before is None:
        return
    if before.replaced_by or not new.replaced_by:
        raise WithdrawalRefusedError(new.number, f"it is withdrawn already. {before.sentence}".rstrip("."))
    if _folded(before.why) == _folded(new.why):
        raise WithdrawalRefusedError(
            new.number, "what it was withdrawn for is no reason to issue it again; say what was put right"
        )


def _folded(text: str) -> str:
    return " ".join(text.casefold().split()).rstrip(".")
