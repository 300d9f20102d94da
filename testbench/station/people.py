"""Who works here: an append-only register of what was entered, folded into the people as they stand. Pure.

Nobody is ever deleted, and an id or a printed name belongs to one person for ever: what they signed keeps its name.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field

from testbench.errors import (
    FirstPersonError,
    LastEngineerError,
    NotAuthenticatedError,
    PersonAlikeError,
    PersonExistsError,
    PersonRefusedError,
    PersonStandsError,
    PersonUnknownError,
    RoleMissingError,
    SecretRefusedError,
)
from testbench.procedure.names import likeness, objection_to_name, plain_name
from testbench.procedure.valve import Value, later
from testbench.run.record import sha256
from testbench.run.signature import Method, Role

PersonId = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{1,19}$")]
PrintedName = Annotated[str, Field(min_length=2, max_length=60, pattern=r"^\S[^\x00-\x1f\x7f]*\S$")]
PASSWORD_FROM, PASSWORD_TO = 12, 200
PIN_FROM, PIN_TO = 4, 8
OWNER = "owner of the home"
"""Who enters the first person: nobody can be asked for a password yet."""


class Change(StrEnum):
    """What an entry changes."""

    ADDED = "added"
    ROLES = "roles"
    DISABLED = "disabled"
    ENABLED = "enabled"
    PIN = "PIN set"
    PASSWORD = "password set"  # noqa: S105 - the name of the change


class PersonEntry(Value):
    """One line of the register."""

    format: Literal[1] = 1
    person: PersonId
    change: Change
    name: PrintedName | None = later(None)
    """Of a person who is added."""
    roles: tuple[Role, ...] = later(())
    secret_sha256: str = later("")
    """Of the stored hash, which lies beside this line: what leaves the bench binds it and does not hold it."""
    pepper: str = later("")
    """Which pepper the PIN was set with, by the beginning of its hash."""
    at: str
    """UTC, ISO 8601 with milliseconds."""
    by: str
    """Id of the person who entered it, or the owner of the home."""
    authenticated: Literal["password", "PIN", "owner of the home"]
    note: str = later("")


@dataclass(frozen=True, slots=True)
class Kept:
    """An entry with the hash of a secret that lies beside it."""

    entry: PersonEntry
    secret: str = field(default="", repr=False)
    """As argon2 writes it; empty where the entry sets none."""


@dataclass(frozen=True, slots=True)
class Secret:
    """The hash of a secret in force."""

    stored: str = field(repr=False)
    pepper: str = ""


@dataclass(frozen=True, slots=True)
class Person:
    """A person as the entries leave them."""

    id: str
    name: str
    roles: tuple[Role, ...]
    enabled: bool = True
    secrets: Mapping[Method, Secret] = field(default_factory=dict, repr=False)

    def may(self, role: Role) -> bool:
        """Whether the person has a role and is enabled."""
        return self.enabled and role in self.roles


_SETS = {Change.PIN: Method.PIN, Change.PASSWORD: Method.PASSWORD}


def people_of(kept: Iterable[Kept]) -> dict[str, Person]:
    """The people by their ids, in the order in which they were added."""
    found: dict[str, Person] = {}
    for one in kept:
        entry = one.entry
        if entry.change is Change.ADDED:
            assert entry.name is not None
            found[entry.person] = Person(entry.person, entry.name, entry.roles)
            continue
        person = found[entry.person]
        if (method := _SETS.get(entry.change)) is not None:
            person = replace(person, secrets={**person.secrets, method: Secret(one.secret, entry.pepper)})
        elif entry.change is Change.ROLES:
            person = replace(person, roles=entry.roles)
        else:
            person = replace(person, enabled=entry.change is Change.ENABLED)
        found[entry.person] = person
    return found


def find_person(people: Mapping[str, Person], said: str) -> Person | None:
    """A person by id or by printed name; None where nobody is called so."""
    names = {said, plain_name(said)}
    return people.get(said) or next((one for one in people.values() if one.name in names), None)


def stranger(said: str) -> str:
    """Under what the tries of somebody unknown are kept: one of 64 names, for people type passwords as names."""
    return f"unregistered {int(sha256(said.encode()), 16) % 64}"


def asks_for_pins(kept: Iterable[Kept]) -> bool:
    """Whether a run needs an operator's PIN: from the first registered operator on, whoever is disabled since."""
    return any(Role.OPERATOR in one.entry.roles for one in kept)


def operators_of(people: Mapping[str, Person]) -> tuple[Person, ...]:
    """Who may start a run."""
    return tuple(one for one in people.values() if one.may(Role.OPERATOR))


def methods_for(roles: Sequence[Role]) -> tuple[Method, ...]:
    """The secrets that roles need: a PIN at the bench, a password to decide."""
    bench = {Role.OPERATOR, Role.WITNESS} & set(roles)
    decides = {Role.REVIEWER, Role.ENGINEER} & set(roles)
    return (*((Method.PIN,) if bench else ()), *((Method.PASSWORD,) if decides else ()))


# Rules ------------------------------------------------------------------------------------------


def check_new(people: Mapping[str, Person], person: str, name: str, roles: Sequence[Role], by: str) -> None:
    """Refuse an id or name that is taken or looks so, a first person who is no engineer, another on the owner's word.

    Raises:
        NotAuthenticatedError, PersonRefusedError, PersonExistsError, PersonAlikeError, FirstPersonError: which it was.
    """
    if people and by == OWNER:
        raise NotAuthenticatedError(OWNER)
    if objection := objection_to_name(name):
        raise PersonRefusedError("name", objection)
    for other in people.values():
        check_another(person, other.id, other.id)
        check_another(name, other.name, other.id)
    if not people and Role.ENGINEER not in roles:
        raise FirstPersonError(person)


def check_another(found: str, taken: str, by: str) -> None:
    """Refuse an id or name that is another's, or that nobody could tell from it on paper."""
    if found.casefold() == taken.casefold():
        raise PersonExistsError(found, by)
    if likeness(found) == likeness(taken):
        raise PersonAlikeError(found, taken, by)


def known(people: Mapping[str, Person], person: str) -> Person:
    """A registered person.

    Raises:
        PersonUnknownError: there is none of this id.
    """
    if person not in people:
        raise PersonUnknownError(person, tuple(people))
    return people[person]


def check_changes(person: Person, change: Change, roles: Sequence[Role]) -> None:
    """Refuse a change that changes nothing: each line of the register says something new."""
    if change is Change.ROLES and set(roles) == set(person.roles):
        raise PersonStandsError(person.id, ", ".join(person.roles))
    if change in {Change.DISABLED, Change.ENABLED} and person.enabled is (change is Change.ENABLED):
        raise PersonStandsError(person.id, str(change))


def check_an_engineer_stays(people: Mapping[str, Person], person: str) -> None:
    """Refuse to take the last engineer away."""
    others = (one for one in people.values() if one.id != person)
    if not any(one.may(Role.ENGINEER) and Method.PASSWORD in one.secrets for one in others):
        raise LastEngineerError(person)


def check_role(person: Person, role: Role) -> None:
    """Refuse a person without a role."""
    if role not in person.roles:
        raise RoleMissingError(person.id, tuple(person.roles), role)


def check_secret(method: Method, secret: str) -> None:
    """Refuse a weak PIN or password.

    Raises:
        SecretRefusedError: says why, never what.
    """
    found = _weak_pin(secret) if method is Method.PIN else _weak_password(secret)
    if found:
        allowed = (
            f"{PIN_FROM} to {PIN_TO} digits, not all the same and no straight run"
            if method is Method.PIN
            else f"{PASSWORD_FROM} to {PASSWORD_TO} characters, at least 4 of them different"
        )
        raise SecretRefusedError(method, found, allowed)


def _weak_pin(pin: str) -> str:
    if not (pin.isascii() and pin.isdigit()):
        return "it holds something else than digits"
    if not PIN_FROM <= len(pin) <= PIN_TO:
        return f"it has {len(pin)} digits"
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    if steps == {0}:
        return "its digits are all the same"
    return "it is a straight run of digits" if steps in ({1}, {9}) else ""


def _weak_password(password: str) -> str:
    if not PASSWORD_FROM <= len(password) <= PASSWORD_TO:
        return f"it has {len(password)} characters"
    return "it is a few characters over and over" if len(set(password)) < 4 else ""
