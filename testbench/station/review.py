"""What waits for a signature, and what a reviewer may do with a run. Pure: values in, a refusal or nothing out.

A run waits from its seal until its signatures are complete: its operator's, and then a release where it was accepted,
a review where it was rejected or inconclusive. A void run shows nothing, so nobody reviews it.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, TypeAdapter, ValidationError

from testbench.errors import (
    AnswerRefusedError,
    BatchRefusedError,
    BenchError,
    DecidedOtherwiseError,
    EntryRefusedError,
    NotCleanError,
    NotOpenedError,
    NotReadyToReleaseError,
    OwnRunError,
    ReturnRefusedError,
    RunReturnedError,
    SealBrokenError,
)
from testbench.procedure.valve import Text, Value, later
from testbench.run.evaluation import same_decision
from testbench.run.record import RunRecord, Verdict, canonical, sha256
from testbench.run.signature import Meaning, Method, Role, Sha256, Signature
from testbench.station.people import Person, check_role
from testbench.station.sign_off import check_another, check_may_sign

LONGEST_WHY = 400
Why = Annotated[str, Field(min_length=1, max_length=LONGEST_WHY, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$")]
"""A line that says something."""
DECIDES = (Meaning.REVIEWED, Meaning.RELEASED)


def checked_why(text: str, what: str) -> str:
    """What somebody wrote as a reason or an answer.

    Raises:
        EntryRefusedError: it says nothing, is too long, or is more than a line.
    """
    try:
        return TypeAdapter[str](Why).validate_python(text)
    except ValidationError:
        shown = repr(text) if len(text) <= LONGEST_WHY else f"{len(text)} signs"
        raise EntryRefusedError(
            what, f"found {shown}; it is one line that says something, of {LONGEST_WHY} signs at most"
        ) from None


class Step(StrEnum):
    """What somebody did with a closed run beside signing it."""

    OPENED = "opened"
    RETURNED = "returned"
    ANSWERED = "answered"


class ReviewEntry(Value):
    """One line of the register of reviews; never changed."""

    format: Literal[1] = 1
    step: Step
    run: Text
    record_sha256: Sha256
    """The record that was looked at."""
    person: Text
    printed_name: Text
    method: Method
    """How the person was authenticated."""
    at: str
    """UTC, ISO 8601 with milliseconds."""
    bench: Text
    to: str = later("")
    """Printed name of whom it was returned to."""
    note: str = later("")
    """Why it was returned; what was answered."""


@dataclass(frozen=True, slots=True)
class Borne:
    """What a closed run bears beside its record."""

    signed: tuple[Signature, ...] = ()
    entries: tuple[ReviewEntry, ...] = ()
    """In the order in which they were made."""
    seal_fault: str = ""
    """What is wrong with its entry in the ledger; empty where nothing is."""

    @property
    def returned(self) -> ReviewEntry | None:
        """The return that nobody has answered yet."""
        steps = [one for one in self.entries if one.step is not Step.OPENED]
        return steps[-1] if steps and steps[-1].step is Step.RETURNED else None

    def opened_by(self, person: str, record_sha256: str) -> bool:
        """Whether a person has opened this very record."""
        return any(
            one.step is Step.OPENED and one.person == person and one.record_sha256 == record_sha256
            for one in self.entries
        )


@dataclass(frozen=True, slots=True)
class Case:
    """A run as a reviewer has it before them."""

    record: RunRecord
    borne: Borne
    again: RunRecord
    """Decided again from its samples by the present program."""
    against: str = ""
    """What else stands against a release: a recall, a nonconformity, a later run; empty where nothing does."""

    @property
    def record_sha256(self) -> str:
        """Of the record that is looked at."""
        return sha256(canonical(self.record))


# What waits -------------------------------------------------------------------------------------


def waits_for(verdict: Verdict | None, signed: Collection[Meaning]) -> Meaning | None:
    """The next signature that a closed run of an authenticated operator waits for; None where it has all.

    Args:
        verdict: of the run; None where it is void.
        signed: what its signatures mean.
    """
    last = {Verdict.ACCEPTED: Meaning.RELEASED, Verdict.REJECTED: Meaning.REVIEWED,
            Verdict.INCONCLUSIVE: Meaning.REVIEWED}  # fmt: skip
    needed = (Meaning.PERFORMED, *((last[verdict],) if verdict else ()))
    return next((meaning for meaning in needed if meaning not in signed), None)


# What may be done -------------------------------------------------------------------------------


def check_decides(record: RunRecord, borne: Borne, person: Person, meaning: Meaning) -> None:
    """Refuse a signature under a run; asked within the transaction that would keep it.

    Raises:
        RunReturnedError, SealBrokenError: a reviewer's signature does not go under such a run.
        BenchError: see ``sign_off.check_may_sign``.
    """
    check_may_sign(record, borne.signed, person, meaning)
    if meaning in DECIDES:
        check_whole(record.run, borne)
        if (returned := borne.returned) is not None:
            raise RunReturnedError(record.run, returned.printed_name, returned.note)


def check_whole(run: str, borne: Borne) -> None:
    """Refuse a run that is not what the ledger says was sealed."""
    if borne.seal_fault:
        raise SealBrokenError(run, borne.seal_fault)


def check_release(case: Case, person: Person) -> None:
    """Refuse the release of one run.

    Raises:
        BenchError: see ``check_decides``.
        NotReadyToReleaseError: a recall, a nonconformity or a later run stands against it.
        DecidedOtherwiseError: its record does not follow from its samples.
    """
    record = case.record
    check_decides(record, case.borne, person, Meaning.RELEASED)
    if case.against:
        raise NotReadyToReleaseError(record.run, case.against)
    check_follows(record, case.again)


def check_follows(record: RunRecord, again: RunRecord) -> None:
    """Refuse a record that the present program does not decide again from its samples.

    Raises:
        DecidedOtherwiseError: it does not, and a customer who checks the page would find the same.
    """
    if not same_decision(again, record):
        raise DecidedOtherwiseError(record.run, record.verdict or "void", again.verdict or "void")


def check_batch(cases: Sequence[Case], person: Person) -> None:
    """Refuse a batch unless every run of it is clean and was opened by this reviewer since it was sealed.

    Raises:
        BatchRefusedError: names every run that stands in the way.
    """
    faults = []
    for case in cases:
        try:
            _check_in_batch(case, person)
        except BenchError as refusal:
            faults.append(str(refusal))
    if faults:
        raise BatchRefusedError(len(cases), tuple(faults))


def _check_in_batch(case: Case, person: Person) -> None:
    check_release(case, person)
    if remarks := remarks_of(case):
        raise NotCleanError(case.record.run, remarks)
    if not case.borne.opened_by(person.id, case.record_sha256):
        raise NotOpenedError(case.record.run, person.id)


def remarks_of(case: Case) -> tuple[str, ...]:
    """What of a run wants a look of its own; a clean run has none."""
    record = case.record
    remarks = [] if record.verdict is Verdict.ACCEPTED else [f"its verdict is {record.verdict or 'void'}"]
    remarks += [f"the {one.stage} took attempt {one.attempt}" for one in record.stages if one.attempt > 1]
    remarks += [f"the hold of the {one.stage} began anew" for one in record.stages if one.restarts]
    remarks += [f"run {one.run} of this valve was {one.verdict or 'void'} before" for one in record.earlier]
    if record.channel.disproved_by is not None:
        remarks.append("a second gauge disagreed while it was open")
    if any(one.step is Step.RETURNED for one in case.borne.entries):
        remarks.append("it was returned before")
    if not same_decision(case.again, record):
        remarks.append("the present program decides it otherwise")
    if case.against:
        remarks.append(case.against)
    return tuple(remarks)


def check_return(record: RunRecord, borne: Borne, person: Person) -> None:
    """Refuse to return a run.

    Raises:
        RoleMissingError: only a reviewer returns.
        ReturnRefusedError: it is released, returned already, or the person's own.
    """
    check_role(person, Role.REVIEWER)
    released = next((one for one in borne.signed if one.meaning is Meaning.RELEASED), None)
    if released is not None:
        raise ReturnRefusedError(record.run, f"it was released by {released.printed_name} at {released.signed_at}")
    if (before := borne.returned) is not None:
        raise ReturnRefusedError(record.run, f"{before.printed_name} returned it at {before.at}, not answered yet")
    try:
        check_another(record, borne.signed, person, Meaning.REVIEWED)
    except OwnRunError:
        raise ReturnRefusedError(record.run, f"'{person.id}' performed it") from None


def check_answer(record: RunRecord, borne: Borne, person: Person) -> None:
    """Refuse an answer to a return.

    Raises:
        AnswerRefusedError: nobody waits for one, or not from this person.
    """
    returned = borne.returned
    if returned is None:
        raise AnswerRefusedError(record.run, "nobody waits for an answer")
    if returned.person == person.id:
        raise AnswerRefusedError(record.run, f"'{person.id}' returned it")
    if person.id != record.operator_id and Role.ENGINEER not in person.roles:
        raise AnswerRefusedError(record.run, f"'{person.id}' neither performed it nor is an engineer")


def why_not(check: Callable[[], None]) -> str:
    """The sentence of a refusal; empty where there is none."""
    try:
        check()
    except BenchError as refusal:
        return str(refusal)
    return ""


Bearing = Mapping[str, Borne]
"""Run → what it bears, as it stands within a transaction."""
