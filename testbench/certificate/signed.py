"""The signatures attached to a document: read, and held against its record. Needs no home and no registered people."""

from collections.abc import Iterator, Sequence
from typing import Any

from testbench.certificate.attach import signature_name
from testbench.procedure.names import likeness
from testbench.run.record import Verdict, canonical
from testbench.run.signature import Meaning, Signature, trace_sha256

PREFIX = "signature-"


def signatures_in(files: dict[str, bytes]) -> tuple[Signature, ...]:
    """Take the signatures out of the attached files.

    Raises:
        ValueError: one is no signature, or not in its canonical form under its own name.
    """
    found = []
    for number, name in enumerate(sorted(name for name in files if name.startswith(PREFIX)), start=1):
        data = files.pop(name)
        one = Signature.model_validate_json(data)
        if canonical(one) != data or name != signature_name(number, one):
            raise ValueError(f"{name} is not as a station writes it")
        found.append(one)
    return tuple(found)


def faults_of_signatures(record: dict[str, Any], record_sha256: str, signed: Sequence[Signature]) -> Iterator[str]:
    """What does not bind this record and these readings, or is missing.

    Args:
        record: as attached.
        record_sha256: of its attached bytes.
        signed: the attached signatures.
    """
    traces = trace_sha256(stage["trace"]["sha256"] for stage in record["stages"])
    for one in signed:
        if (one.subject, one.subject_id, one.record_sha256) != ("run", record["run"], record_sha256):
            yield f"The signature of {one.printed_name} was made under another record."
        elif one.trace_sha256 != traces:
            yield f"The signature of {one.printed_name} was made under other readings."
    yield from _faults_of_names(record["operator"], record.get("operator_id"), signed)
    if record.get("operator_id"):
        yield from _faults_of_persons(record["operator_id"], record["verdict"], signed)


def _faults_of_names(operator: str, person: str | None, signed: Sequence[Signature]) -> Iterator[str]:
    """What a page prints of a person is the name: the right id does not excuse another; a wrong id is told as such."""
    for one in signed:
        alike = likeness(one.printed_name) == likeness(operator)
        if one.meaning is Meaning.PERFORMED and one.printed_name != operator and person in {None, "", one.person}:
            yield f"It is signed as performed by {one.printed_name}, but its record names {operator} as the operator."
        elif one.meaning in {Meaning.REVIEWED, Meaning.RELEASED} and alike and one.person != person:
            yield f"It is signed as {one.meaning} by {one.printed_name}, as its operator is named."


def _faults_of_persons(operator: str, verdict: str, signed: Sequence[Signature]) -> Iterator[str]:
    """Where the operator was authenticated, the page owes signatures, and of the right persons."""
    people = {meaning: {one.person for one in signed if one.meaning is meaning} for meaning in Meaning}
    if people[Meaning.PERFORMED] - {operator}:
        yield "It is signed as performed by another than the operator of its record."
    if operator in people[Meaning.RELEASED] | people[Meaning.REVIEWED]:
        yield "Its operator has reviewed or released it."
    needed = (Meaning.PERFORMED, Meaning.RELEASED) if verdict == Verdict.ACCEPTED else (Meaning.PERFORMED,)
    yield from (f"It is not signed as {meaning}." for meaning in needed if not people[meaning])


def in_a_line(one: Signature) -> str:
    """A signature for a person."""
    return (
        f"{one.meaning} by {one.printed_name}, {one.role}, {one.signed_at}, by {one.method}; clock {one.clock_status}"
    )
