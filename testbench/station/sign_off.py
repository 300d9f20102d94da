"""Who may sign what, and when. Pure: record, signatures and person go in, a refusal or nothing comes out."""

from collections.abc import Sequence
from datetime import datetime

from testbench.errors import (
    AlreadySignedError,
    ClockBehindError,
    NotAWitnessError,
    NotReadyToReleaseError,
    NotSignedError,
    NotTheOperatorError,
    OwnRunError,
)
from testbench.procedure.names import likeness
from testbench.run.record import RunRecord, Verdict
from testbench.run.signature import Meaning, Method, Role, Signature
from testbench.station.current_run import iso
from testbench.station.people import Person, check_role

ROLE = {
    Meaning.PERFORMED: Role.OPERATOR,
    Meaning.REVIEWED: Role.REVIEWER,
    Meaning.RELEASED: Role.REVIEWER,
    Meaning.ADOPTED: Role.ENGINEER,
    Meaning.WITNESSED: Role.WITNESS,
}
METHOD = {
    Meaning.PERFORMED: Method.PIN,
    Meaning.REVIEWED: Method.PASSWORD,
    Meaning.RELEASED: Method.PASSWORD,
    Meaning.ADOPTED: Method.PASSWORD,
    Meaning.WITNESSED: Method.PIN,
}
ONCE = (Meaning.PERFORMED, Meaning.RELEASED)
"""A run is performed and released by one person; several may review or witness it."""


def check_may_sign(record: RunRecord, signed: Sequence[Signature], person: Person, meaning: Meaning) -> None:
    """Refuse a signature that the rules do not allow.

    Args:
        record: the closed run.
        signed: the signatures that it bears already.
        person: who wants to sign, authenticated.
        meaning: of the signature; not ``adopted``.
    """
    check_role(person, ROLE[meaning])
    _check_not_twice(record, signed, person, meaning)
    match meaning:
        case Meaning.PERFORMED:
            _check_performer(record, person)
        case Meaning.REVIEWED | Meaning.RELEASED:
            check_another(record, signed, person, meaning)
        case Meaning.WITNESSED:
            _check_witness(record, person)
        case Meaning.ADOPTED:
            raise ValueError("a run is not adopted")
    if meaning is Meaning.RELEASED:
        _check_ready(record, signed)


def _check_not_twice(record: RunRecord, signed: Sequence[Signature], person: Person, meaning: Meaning) -> None:
    for one in signed:
        if one.meaning is meaning and (meaning in ONCE or one.person == person.id):
            raise AlreadySignedError(f"Run {record.run}", meaning, one.printed_name)


def check_another(record: RunRecord, signed: Sequence[Signature], person: Person, meaning: Meaning) -> None:
    """The tester of a run never reviews or releases it, nor anybody whose name looks like the tester's on paper.

    Raises:
        OwnRunError: they would.
    """
    performed = [one for one in signed if one.meaning is Meaning.PERFORMED]
    ids = {record.operator_id, *(one.person for one in performed)}
    names = {likeness(record.operator), *(likeness(one.printed_name) for one in performed)}
    if person.id in ids or likeness(person.name) in names:
        raise OwnRunError(record.run, person.id, meaning)


def _check_performer(record: RunRecord, person: Person) -> None:
    """By id; a record from before people were registered only holds the name."""
    same = person.id == record.operator_id if record.operator_id else person.name == record.operator
    if not same:
        raise NotTheOperatorError(record.run, person.id, record.operator_id or record.operator)


def _check_witness(record: RunRecord, person: Person) -> None:
    attended = attended_by(record)
    if person.name not in attended:
        raise NotAWitnessError(record.run, person.name, attended)


def attended_by(record: RunRecord) -> tuple[str, ...]:
    """Who attended any stage, by name, each once."""
    there = [one.name for stage in record.stages if stage.attendance for one in stage.attendance.attended]
    return tuple(dict.fromkeys(there))


def _check_ready(record: RunRecord, signed: Sequence[Signature]) -> None:
    if record.verdict is not Verdict.ACCEPTED:
        raise NotReadyToReleaseError(record.run, f"its verdict is {record.verdict or 'void'}")
    if not any(one.meaning is Meaning.PERFORMED for one in signed):
        raise NotReadyToReleaseError(record.run, "its operator has not signed it as performed")


def latest_of(record: RunRecord, signed: Sequence[Signature]) -> datetime:
    """The end of a run, or its newest signature."""
    return max(datetime.fromisoformat(at) for at in (record.ended, *(one.signed_at for one in signed)))


def check_clock(record: RunRecord, signed: Sequence[Signature], now: datetime) -> None:
    """Refuse a time of signing before what is signed: the clock was set back.

    Raises:
        ClockBehindError: names what it lies before.
    """
    before = [(record.ended, f"the end of run {record.run}")]
    before += [(one.signed_at, f"the signature of {one.printed_name}") for one in signed]
    for at, what in before:
        if now < datetime.fromisoformat(at):
            raise ClockBehindError(iso(now), at, what)


# What a document waits for ----------------------------------------------------------------------


def owed_for_document(record: RunRecord, signed: Sequence[Signature]) -> Meaning | None:
    """The signature that the document of a decided run waits for; None where it may be written.

    A run whose operator was not authenticated waits for none: nobody was registered then.
    """
    if not record.operator_id:
        return None
    needed = Meaning.RELEASED if record.verdict is Verdict.ACCEPTED else Meaning.PERFORMED
    return None if any(one.meaning is needed for one in signed) else needed


def check_signed(record: RunRecord, signed: Sequence[Signature]) -> None:
    """Refuse a document before its signature.

    Raises:
        NotSignedError: names it.
    """
    owed = owed_for_document(record, signed)
    if owed is not None:
        raise NotSignedError(record.run, document_of(record), owed)


def owed_by_persons(record: RunRecord) -> str:
    """What is to be done after a release where persons sign certificates with keys of their own."""
    return (
        f"The certificate of run {record.run} is owed: operator and reviewer unlock their keys at one terminal with "
        f"'testbench certificate issue {record.run}'."
    )


def document_of(record: RunRecord) -> str:
    """What the document of a decided run is called."""
    return "certificate" if record.verdict is Verdict.ACCEPTED else "rejection report"
