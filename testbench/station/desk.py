"""Where persons identify themselves: authentication, signatures, and the register of people.

Every signature and every change authenticates anew; nothing is remembered. A try is on disk before the secret is
looked at. Secrets pass through and stay nowhere.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from pydantic import ValidationError

from testbench.errors import (
    NotAuthenticatedError,
    PepperChangedError,
    PersonDisabledError,
    PersonRefusedError,
)
from testbench.procedure.names import plain_name
from testbench.run.record import Origin, RunRecord, Verdict, canonical, sha256
from testbench.run.signature import Meaning, Method, Role, Signature, trace_sha256, uuid7
from testbench.station import people as p
from testbench.station.current_run import iso
from testbench.station.lockout import Attempt, LockOut, Outcome, check_not_locked
from testbench.station.review import Bearing, Borne, ReviewEntry, Step, check_decides
from testbench.station.sign_off import METHOD, ROLE, check_clock, latest_of

Attempts = Sequence[Attempt]
Signatures = Sequence[Signature]


class PeopleStore(Protocol):
    """Where people, tries and signatures are kept. A check runs within the transaction that keeps what it allows."""

    def people(self) -> tuple[p.Kept, ...]:
        """Every entry, in the order in which they were made."""

    def add_people(self, kept: Sequence[p.Kept], check: Callable[[Sequence[p.Kept]], None]) -> None:
        """Keep entries, all or none."""

    def add_attempt(self, attempt: Attempt, check: Callable[[Attempts], None]) -> None:
        """Keep a try; the check sees those of that person by that method since the last that was not wrong."""

    def signatures_of(self, subject: str) -> tuple[Signature, ...]:
        """The signatures under a run or a procedure file, in the order in which they were made."""

    def add_signatures(self, signatures: Signatures, check: Callable[[Bearing], None]) -> tuple[Signature, ...]:
        """Keep a signature under each of several runs, all or none; the check sees what every run bears."""

    def add_review(self, entry: ReviewEntry, check: Callable[[Borne], None]) -> None:
        """Keep what was done with a run in review; the check sees what the run bears."""


class Secrets(Protocol):
    """Hashes and checks secrets; see ``credentials``."""

    def hash(self, method: Method, secret: str) -> str:
        """A new salted hash."""

    def matches(self, method: Method, stored: str, secret: str) -> bool:
        """Whether a secret is the one that was hashed."""

    def stale(self, stored: str) -> bool:
        """Whether a hash was made with other parameters than today's."""

    def pepper_id(self) -> str:
        """What tells one pepper from another."""

    def make_pepper(self) -> None:
        """Make a pepper where there is none."""


@dataclass(frozen=True, slots=True)
class Given:
    """Who somebody says to be, and the secret to show it."""

    person: str
    secret: str

    def __repr__(self) -> str:
        return f"Given({self.person!r}, …)"


@dataclass(frozen=True, slots=True)
class Around:
    """What a desk needs beside the store."""

    bench: str
    rule: LockOut
    utc: Callable[[], datetime]
    clock_status: Callable[[], str]
    random_bits: Callable[[int], int]
    statements: Mapping[str, str]
    """Meaning → what the signer agrees to; braces are filled with facts of the run."""


class Desk:
    """Identifies persons and keeps what they sign.

    Args:
        store: the registers.
        secrets: hashes and checks secrets.
        around: bench, rule, clock, statements.
    """

    def __init__(self, store: PeopleStore, secrets: Secrets, around: Around) -> None:
        self._store, self._secrets, self._around = store, secrets, around

    def people(self) -> dict[str, p.Person]:
        """The people as they stand, by id."""
        return p.people_of(self._store.people())

    def asks_for_pins(self) -> bool:
        """Whether a run needs an operator's PIN."""
        return p.asks_for_pins(self._store.people())

    # Authentication ------------------------------------------------------------------------------

    def authenticate(self, given: Given, method: Method) -> p.Person:
        """See that somebody is who they say.

        Raises:
            NotAuthenticatedError: person or secret is wrong; which of them is not told, nor by how long it takes.
            PersonLockedError: too many wrong tries in a row; the secret was not looked at.
            PersonDisabledError: the secret is right, the person disabled.
            PepperMissingError, PepperChangedError: the PIN cannot be checked.
            StoreFailedError: the try cannot be kept, so it is not made.
        """
        person = p.find_person(self.people(), given.person)
        said = p.stranger(given.person) if person is None else person.id
        if not given.secret:  # cannot be right, so it is no try
            raise NotAuthenticatedError(given.person[:60])
        pepper = self._secrets.pepper_id() if method is Method.PIN else ""
        self._keep_try(said, method, Outcome.BEGUN, given.person[:60])
        secret = None if person is None else person.secrets.get(method)
        if secret is None or person is None:
            self._secrets.hash(method, given.secret)  # as long as a look at a secret takes
            raise NotAuthenticatedError(given.person[:60])
        if secret.pepper != pepper:
            raise PepperChangedError(person.id, "keys/pepper")
        if not self._secrets.matches(method, secret.stored, given.secret):
            raise NotAuthenticatedError(given.person[:60])
        self._keep_try(said, method, Outcome.RIGHT)
        if self._secrets.stale(secret.stored):
            self._renew(person, method, given.secret)
        if not person.enabled:
            raise PersonDisabledError(person.id)
        return person

    def in_role(self, given: Given, role: Role, method: Method) -> p.Person:
        """The same, of a person who must have a role.

        Raises:
            RoleMissingError: the person has not.
        """
        person = self.authenticate(given, method)
        p.check_role(person, role)
        return person

    def _keep_try(self, person: str, method: Method, outcome: Outcome, shown: str = "") -> None:
        now = self._around.utc()

        def check(before: Attempts) -> None:
            if outcome is Outcome.BEGUN:
                check_not_locked(before, self._around.rule, shown, now)

        self._store.add_attempt(Attempt(person=person, method=method, at=iso(now), outcome=outcome), check)

    def _renew(self, person: p.Person, method: Method, secret: str) -> None:
        """The same secret under today's parameters."""
        kept = self._secret_entry(person.id, method, secret, by=person.id, authenticated=method, note="hash renewed")
        self._store.add_people([kept], lambda _: None)

    # Signatures ----------------------------------------------------------------------------------

    def statement(self, meaning: Meaning, *, run: str, serial: str, verdict: Verdict | None) -> str:
        """What a signer of a run agrees to."""
        return self._around.statements[meaning].format(run=run, serial=serial, verdict=verdict or "void")

    def sign_run(self, record: RunRecord, given: Given, meaning: Meaning) -> Signature:
        """Sign a closed run.

        Raises:
            NotAuthenticatedError, PersonLockedError, PersonDisabledError: see ``authenticate``.
            RoleMissingError, OwnRunError, NotTheOperatorError, AlreadySignedError, NotReadyToReleaseError,
                NotAWitnessError: the rules do not allow it.
            ClockBehindError: the clock was set back.
            StoreFailedError: it cannot be kept; then nothing was signed.
        """
        person = self.authenticate(given, METHOD[meaning])
        return self.sign_runs(person, (record,), meaning, lambda _: None)[0]

    def sign_runs(
        self, person: p.Person, records: Sequence[RunRecord], meaning: Meaning, check: Callable[[Bearing], None]
    ) -> tuple[Signature, ...]:
        """Sign several closed runs, all or none.

        Args:
            person: who was just authenticated for these very runs.
            records: of the runs.
            meaning: of the signatures.
            check: what is to hold beside the rules for each run; asked within the transaction.

        Raises:
            BenchError: see ``sign_run``; nothing was signed.
        """
        signatures = {one.run: self._run_signature(person, one, meaning) for one in records}

        def check_all(borne: Bearing) -> None:
            check(borne)
            for record in records:
                check_decides(record, borne[record.run], person, meaning)
                at = datetime.fromisoformat(signatures[record.run].signed_at)
                check_clock(record, borne[record.run].signed, at)

        return self._store.add_signatures(tuple(signatures.values()), check_all)

    def _run_signature(self, person: p.Person, record: RunRecord, meaning: Meaning) -> Signature:
        at = self._around.utc()
        if record.origin is not Origin.LIVE:  # a rig's clock runs ahead of ours
            at = max(at, latest_of(record, self._store.signatures_of(record.run)))
        return self._signature(
            person, meaning, at,
            statement=self.statement(meaning, run=record.run, serial=record.valve.serial, verdict=record.verdict),
            subject="run", subject_id=record.run,
            record_sha256=sha256(canonical(record)),
            trace_sha256=trace_sha256(stage.trace.sha256 for stage in record.stages),
        )  # fmt: skip

    # Review --------------------------------------------------------------------------------------

    def note(
        self, record: RunRecord, person: p.Person, method: Method, step: Step, check: Callable[[Borne], None],
        **said: str,
    ) -> ReviewEntry:  # fmt: skip
        """Keep that somebody, who was just authenticated, opened, returned or answered a run."""
        entry = ReviewEntry(
            step=step, run=record.run, record_sha256=sha256(canonical(record)), person=person.id,
            printed_name=person.name, method=method, at=iso(self._around.utc()), bench=self._around.bench, **said,
        )  # fmt: skip
        self._store.add_review(entry, check)
        return entry

    def procedure_signature(self, engineer: p.Person, procedure: str, digest: str) -> Signature:
        """The signature under a procedure file, by an engineer who was just authenticated; it is not kept yet."""
        return self._signature(
            engineer, Meaning.ADOPTED, self._around.utc(),
            statement=self._around.statements[Meaning.ADOPTED].format(procedure=procedure),
            subject="procedure", subject_id=procedure, record_sha256=digest,
        )  # fmt: skip

    def _signature(self, person: p.Person, meaning: Meaning, at: datetime, **facts: Any) -> Signature:
        offset = at.astimezone().utcoffset()
        return Signature(
            id=uuid7(round(at.timestamp() * 1000), self._around.random_bits(74)),
            person=person.id,
            printed_name=person.name,
            role=ROLE[meaning],
            meaning=meaning,
            signed_at=iso(at),
            utc_offset_minutes=int(offset.total_seconds() // 60) if offset else 0,
            clock_status=self._around.clock_status(),
            bench=self._around.bench,
            method=METHOD[meaning],
            **facts,
        )

    # The register of people ----------------------------------------------------------------------

    def engineer(self, by: Given) -> str:
        """The id of an engineer who gave the password."""
        return self.in_role(by, Role.ENGINEER, Method.PASSWORD).id

    def add(
        self, by: str, person: str, name: str, roles: tuple[Role, ...], secrets: Mapping[Method, str]
    ) -> tuple[p.PersonEntry, ...]:
        """Enter a person with the secrets that the roles need, all or nothing.

        Raises:
            PersonExistsError, PersonAlikeError, FirstPersonError, PersonRefusedError, SecretRefusedError: nothing was
                kept.
        """
        name = plain_name(name)
        for method, secret in secrets.items():
            p.check_secret(method, secret)
        p.check_new(self.people(), person, name, roles, by)
        added = self._entry(person, p.Change.ADDED, by, name=name, roles=roles)
        kept = [p.Kept(added), *(self._secret_entry(person, method, one, by=by) for method, one in secrets.items())]
        self._store.add_people(kept, lambda known: p.check_new(p.people_of(known), person, name, roles, by))
        return tuple(one.entry for one in kept)

    def change(self, by: str, person: str, change: p.Change, roles: tuple[Role, ...] = ()) -> p.PersonEntry:
        """Disable, enable, or give other roles.

        Raises:
            PersonUnknownError, PersonStandsError, LastEngineerError: nothing was kept.
        """

        def check(known: Sequence[p.Kept]) -> None:
            people = p.people_of(known)
            p.check_changes(p.known(people, person), change, roles)
            if change is p.Change.DISABLED or (change is p.Change.ROLES and Role.ENGINEER not in roles):
                p.check_an_engineer_stays(people, person)

        entry = self._entry(person, change, by, roles=roles)
        self._store.add_people([p.Kept(entry)], check)
        return entry

    def set_secret(
        self, by: str, person: str, method: Method, secret: str, *, authenticated: Method | None = None,
        new_pepper: bool = False,
    ) -> p.PersonEntry:  # fmt: skip
        """Set a new PIN or password; it ends a lock.

        Args:
            by: who enters it.
            person: whose it is.
            method: PIN or password.
            secret: the new one.
            authenticated: how ``by`` was; None: by password.
            new_pepper: make a pepper where there is none although PINs were set with another, which are void then.

        Raises:
            PersonUnknownError, SecretRefusedError, PepperMissingError: nothing was kept.
        """
        p.known(self.people(), person)
        p.check_secret(method, secret)
        if new_pepper:
            self._secrets.make_pepper()
        kept = self._secret_entry(person, method, secret, by=by, authenticated=authenticated)
        self._store.add_people([kept], lambda _: None)
        self._keep_try(person, method, Outcome.CLEARED)
        return kept.entry

    def _secret_entry(
        self, person: str, method: Method, secret: str, *, by: str, authenticated: Method | None = None, note: str = ""
    ) -> p.Kept:
        pepper = ""
        if method is Method.PIN:
            if not any(Method.PIN in one.secrets for one in self.people().values()):
                self._secrets.make_pepper()
            pepper = self._secrets.pepper_id()
        stored = self._secrets.hash(method, secret)
        change = p.Change.PIN if method is Method.PIN else p.Change.PASSWORD
        said = {"secret_sha256": sha256(stored.encode()), "pepper": pepper, "note": note}
        return p.Kept(self._entry(person, change, by, authenticated=authenticated, **said), stored)

    def _entry(
        self, person: str, change: p.Change, by: str, *, authenticated: Method | None = None, **said: Any
    ) -> p.PersonEntry:
        shown = p.OWNER if by == p.OWNER else authenticated or Method.PASSWORD
        facts = {"person": person, "change": change, "at": iso(self._around.utc()), "by": by, "authenticated": shown}
        try:
            return p.PersonEntry.model_validate(facts | said)
        except ValidationError as failure:
            first = failure.errors(include_input=False)[0]
            raise PersonRefusedError(str(first["loc"][0]), _ALLOWED.get(str(first["loc"][0]), first["msg"])) from None


_ALLOWED = {
    "person": "2 to 20 small letters, digits and hyphens, a letter first",
    "name": "2 to 60 characters",
}
