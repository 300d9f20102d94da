"""A signature: who, when, what it means, and the hashes of exactly what was signed.

The hash of the record is what stops a signature from being carried over to another run. The elements are those of
21 CFR 11.50 and 11.70 (printed name, time, meaning, linked to its record); no claim of compliance is made.
"""

from collections.abc import Iterable
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from testbench.procedure.valve import Text, Value, later
from testbench.run.record import RunRecord, canonical, sha256

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class Role(StrEnum):
    """What a person may do."""

    OPERATOR = "operator"
    REVIEWER = "reviewer"
    ENGINEER = "engineer"
    """Calibrations, procedures, gauge checks, blank runs, people."""
    WITNESS = "witness"
    """Attends a test for somebody else."""


class Meaning(StrEnum):
    """What a signature says."""

    PERFORMED = "performed"
    REVIEWED = "reviewed"
    RELEASED = "released"
    ADOPTED = "adopted"
    WITNESSED = "witnessed"


class Method(StrEnum):
    """How the person was authenticated."""

    PIN = "PIN"
    PASSWORD = "password"  # noqa: S105 - the name of the method


class Signature(Value):
    """One signature under a run or a procedure."""

    format: Literal[1] = 1
    id: Annotated[str, Field(pattern=r"^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$")]
    """UUID version 7."""
    person: Text
    printed_name: Text
    """As it was when it was signed; so is the role."""
    role: Role
    meaning: Meaning
    statement: Annotated[str, Field(min_length=1, max_length=600)]
    """What was shown and agreed to, word for word."""
    signed_at: str
    """UTC, ISO 8601 with milliseconds."""
    utc_offset_minutes: int
    clock_status: Text
    """What was known of the clock."""
    bench: Text
    method: Method
    subject: Literal["run", "procedure"]
    subject_id: Text
    record_sha256: Sha256
    """Of the run's canonical record, or of the procedure file."""
    trace_sha256: str = later("")
    """See ``trace_sha256``; empty for a procedure."""
    ledger_seq: int | None = later(None)
    """Newest entry of the ledger when it was signed; None where the bench keeps no ledger."""
    ledger_head: str = later("")

    def binds(self, record: RunRecord) -> bool:
        """Whether it was made under this very record and these very readings."""
        return (
            self.subject == "run"
            and self.subject_id == record.run
            and self.record_sha256 == sha256(canonical(record))
            and self.trace_sha256 == trace_sha256(stage.trace.sha256 for stage in record.stages)
        )


def trace_sha256(hashes: Iterable[str]) -> str:
    """One hash over all readings of a run.

    Args:
        hashes: SHA-256 of the decoded samples of each stage attempt on the deciding channel, 64 lower-case hexadecimal
            digits, in the order of the record. Those of other channels stand in the record, whose hash is signed, too.

    Returns:
        The SHA-256 of these, each followed by a line feed, as ASCII. A run without a stage gives that of no bytes.
    """
    return sha256("".join(f"{one}\n" for one in hashes).encode("ascii"))


def uuid7(unix_ms: int, random: int) -> str:
    """A UUID of version 7 (RFC 9562, section 5.7).

    Args:
        unix_ms: milliseconds since 1970, UTC.
        random: 74 random bits: 12 of ``rand_a``, then 62 of ``rand_b``.
    """
    rand_a, rand_b = random >> 62, random & (1 << 62) - 1
    digits = f"{unix_ms << 80 | 7 << 76 | rand_a << 64 | 2 << 62 | rand_b:032x}"
    return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))
