"""The persons of a home: their desk put together, and what is done on a person's authority."""

import secrets
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from testbench.custody import issue_document
from testbench.documents import check_issuable
from testbench.errors import BenchError, PageOwedError, RoleMissingError
from testbench.wiring import Home, open_store

if TYPE_CHECKING:
    from testbench.certificate.issue import Issued
    from testbench.run.record import RunRecord
    from testbench.run.signature import Meaning, Role, Signature
    from testbench.station.at_the_bench import Signing
    from testbench.station.bench import Bench
    from testbench.station.desk import Desk, Given
    from testbench.station.people import Person
    from testbench.station.ports import Clock
    from testbench.store.repository import SqliteStore

NOT_COMPARED = "not compared with another clock"
"""What a command knows of the clock that it signs by."""


def desk_of(
    home: Home, store: "SqliteStore", clock: "Clock | None" = None, clock_status: Callable[[], str] | None = None
) -> "Desk":
    """Where the persons of a home identify themselves.

    Args:
        home: the bench.
        store: its records, open for writing.
        clock: None: the ordinary one.
        clock_status: what is known of the clock; None: nothing.
    """
    from testbench.certificate.data import statements
    from testbench.credentials.secrets import Argon2Secrets
    from testbench.instruments.clocks import SystemClock
    from testbench.station.desk import Around, Desk

    bench = home.bench()
    around = Around(
        bench=bench.name,
        rule=bench.people,
        utc=(clock or SystemClock()).utc,
        clock_status=clock_status or (lambda: NOT_COMPARED),
        random_bits=secrets.randbits,
        statements=statements(),
    )
    return Desk(store, Argon2Secrets(home.keys), around)


def signing_of(home: Home, store: "SqliteStore", clock: "Clock", bench: "Bench", replay: object) -> "Signing":
    """Where the operators of a running recorder identify themselves and sign."""
    from testbench.station.at_the_bench import Signing
    from testbench.station.clock_watch import ClockStatus
    from testbench.station.current_run import iso

    status = ClockStatus.watched_since(iso(clock.utc()))
    if replay is not None or bench.simulation is not None:
        status = ClockStatus("of a simulated rig" if replay is None else "of a replay")
    return Signing(
        desk=desk_of(home, store, clock, lambda: status.text),
        load=lambda run: store.load(run)[0],
        unsigned=store.unsigned_runs,
        signatures_of=store.signatures_of,
        clock=status,
    )


def engineer_of(home: Home, by: str, ask: Callable[[str], str]) -> "tuple[str, Person | None]":
    """On whose authority something is entered: the printed name of an engineer who gave the password."""
    from testbench.run.signature import Role

    return person_of(home, by, ask, Role.ENGINEER)


def person_of(home: Home, by: str, ask: Callable[[str], str], role: "Role") -> "tuple[str, Person | None]":
    """On whose authority something is done: the printed name of a person in this role who gave the password.

    Args:
        home: the bench.
        by: id or printed name; where nobody is registered yet, whoever is named.
        ask: asks for a secret.
        role: that the person must have.

    Returns:
        The name, and the person; None where nobody is registered: named, not authenticated.

    Raises:
        NotAuthenticatedError, PersonLockedError, PersonDisabledError, RoleMissingError: nothing is entered.
    """
    if not home.database.exists():
        return by, None
    with open_store(home) as store:
        desk = desk_of(home, store)
        if not desk.people():
            return by, None
        from testbench.run.signature import Method
        from testbench.station.desk import Given

        person = desk.in_role(Given(by, ask(f"Password of {by}")), role, Method.PASSWORD)
        return person.name, person


def somebody_of(home: Home, by: str, roles: "Sequence[Role]", ask: Callable[[str], str]) -> tuple[str, str]:
    """Who enters something that several roles may enter: the printed name, and the id.

    Args:
        home: the bench.
        by: id or printed name; where nobody is registered yet, whoever is named.
        roles: any of which is enough.
        ask: asks for the password, or for the PIN of somebody who has no password.

    Returns:
        The name, and the id; empty where nobody is registered: named, not authenticated.

    Raises:
        NotAuthenticatedError, PersonLockedError, PersonDisabledError, RoleMissingError: nothing is entered.
    """
    from testbench.run.signature import Method
    from testbench.station.desk import Given
    from testbench.station.people import find_person

    with open_store(home) as store:
        desk = desk_of(home, store)
        people = desk.people()
        if not people:
            return by, ""
        found = find_person(people, by)
        at_the_bench = found is not None and Method.PASSWORD not in found.secrets
        method = Method.PIN if at_the_bench else Method.PASSWORD
        person = desk.authenticate(Given(by, ask(f"{method[0].upper()}{method[1:]} of {by}")), method)
        if not set(roles) & set(person.roles):
            raise RoleMissingError(person.id, tuple(person.roles), " or ".join(roles))
        return person.name, person.id


def procedure_signature(home: Home, engineer: "Person | None", procedure: str, digest: str) -> "Signature | None":
    """The signature under an adoption; None where nobody is registered."""
    if engineer is None:
        return None
    with open_store(home) as store:
        return desk_of(home, store).procedure_signature(engineer, procedure, digest)


def statement_for(home: Home, run: str, meaning: "Meaning") -> "tuple[RunRecord, str, str]":
    """What is shown before a secret is asked for: the record, its hash and the statement."""
    from testbench.run.record import canonical, sha256

    with open_store(home) as store:
        record, _ = store.load(run)
        desk, serial = desk_of(home, store), record.valve.serial
        said = desk.statement(meaning, run=record.run, serial=serial, verdict=record.verdict)
        return record, sha256(canonical(record)), said


def sign_run(home: Home, run: str, given: "Given", meaning: "Meaning") -> "tuple[Signature, Issued | None]":
    """Sign a closed run, and write its document where this signature was the one that it waited for.

    A certificate that operator and reviewer sign with keys of their own is written when both are there to unlock them.

    Raises:
        PageOwedError: the signature is kept, the document could not be written.
        BenchError: see ``Desk.sign_run``; nothing was signed.
    """
    from testbench.run.evaluation import rejudged
    from testbench.run.signature import Meaning
    from testbench.station.review import check_follows
    from testbench.station.sign_off import owed_for_document

    with open_store(home) as store:
        record, traces = store.load(run)
        if meaning is Meaning.RELEASED:
            check_follows(record, rejudged(record, traces))
        owed = owed_for_document(record, store.signatures_of(run)) if record.decided else None
        if owed is meaning:
            check_issuable(home, store, record)  # before the signature is kept
        signature = desk_of(home, store).sign_run(record, given, meaning)
    return signature, write_owed(home, record, signature) if owed is meaning else None


def write_owed(home: Home, record: "RunRecord", signature: "Signature") -> "Issued | None":
    """Write the document that waited for a signature: the one way, from whichever place it was signed.

    Returns:
        None where persons sign certificates with keys of their own, which takes both of them.

    Raises:
        PageOwedError: the signature is kept, the document could not be written.
    """
    from testbench.run.signature import Meaning
    from testbench.station.sign_off import document_of

    if signature.meaning is Meaning.RELEASED and home.bench().certificates_signed_by == "persons":
        return None
    try:
        return issue_document(home, record.run)
    except BenchError as failure:
        owed = document_of(record)
        raise PageOwedError(record.run, signature.meaning, signature.printed_name, owed, str(failure)) from failure
