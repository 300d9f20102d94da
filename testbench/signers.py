"""Who signs a document of a home, and with which keys: the station, or operator and reviewer with their own."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from testbench.errors import BenchError, PersonKeyError
from testbench.wiring import Home, open_store

if TYPE_CHECKING:
    from testbench.certificate.hands import Hands
    from testbench.certificate.keys import StationKey
    from testbench.certificate.passphrases import Passphrases, Remembering
    from testbench.certificate.stamping import TimeStamps
    from testbench.run.record import RunRecord
    from testbench.run.signature import Signature
    from testbench.store.repository import SqliteStore

PERSON_KEY = "person key"
"""Entries of the ledger that tie a key to a registered person."""


@dataclass(frozen=True, slots=True)
class Signing:
    """What signing takes from outside the records."""

    ask: "Passphrases | None" = None
    """For the passphrases of the keys; None: the system, or whoever sits at the terminal."""
    station: "StationKey | None" = None
    """The station key where it is loaded already."""
    system_first: bool = False
    """Whether the station's passphrase comes from the system where that names one, and ``ask`` is for the rest."""
    persons: "Mapping[str, StationKey]" = field(default_factory=dict)
    """Keys of persons that are loaded already, by person."""
    stamps: "TimeStamps | None" = None
    """The time-stamp authority where it was asked already; None: that of bench.toml."""


@dataclass(frozen=True, slots=True)
class Unlocked:
    """Whose keys a batch needs, and their passphrases: asked for once, and handed to other processes."""

    station: bool
    persons: tuple[str, ...]
    """Their ids."""
    ask_station: "Remembering"
    ask_persons: "Remembering"

    def signing(self, home: Home, store: "SqliteStore") -> Signing:
        """Load every key.

        Raises:
            KeyFileError, PassphraseMissingError, PassphraseWrongError, TokenFailedError: one cannot be used.
        """
        from testbench.certificate.keys import load_station_key

        station = load_station_key(home.keys, self.ask_station) if self.station else None
        loaded = {}
        for person in self.persons:
            try:
                loaded[person] = _key_of(home, store, person, Signing(self.ask_persons))
            except PersonKeyError:  # told of each document of theirs
                continue
        return Signing(self.ask_persons, station, persons=loaded)


def hands_of(
    home: Home, store: "SqliteStore", of: "tuple[RunRecord, tuple[Signature, ...]]", signing: Signing
) -> "Hands":
    """Who signs the document of a run: the station, or for a certificate its operator and its reviewer."""
    from testbench.certificate.anchors import anchors_of
    from testbench.certificate.hands import of_persons, of_station
    from testbench.certificate.keys import load_station_key
    from testbench.certificate.passphrases import system_has_one

    both = _persons_of(home, of)
    if not both:
        ask = None if signing.system_first and system_has_one() else signing.ask
        return of_station(signing.station or load_station_key(home.keys, ask))
    operator, reviewer = (_key_of(home, store, person, signing) for person in both)
    return of_persons(operator, reviewer, anchors_of(home.keys, (), (), ()))


def _persons_of(home: Home, of: "tuple[RunRecord, tuple[Signature, ...]]") -> tuple[str, ...]:
    """Ids of operator and reviewer where they sign the document of a run; nothing where the station does."""
    from testbench.run.record import Verdict
    from testbench.run.signature import Meaning

    record, signed = of
    people = {one.meaning: one.person for one in signed}
    by_persons = home.bench().certificates_signed_by == "persons" and record.verdict is Verdict.ACCEPTED
    if not by_persons or Meaning.RELEASED not in people:
        return ()
    return people[Meaning.PERFORMED], people[Meaning.RELEASED]


def unlock(home: Home, store: "SqliteStore", runs: Sequence[str], ask: "Passphrases | None" = None) -> Unlocked:
    """Ask for the passphrase of each key that the documents of these runs need, once: the station's, then persons'.

    Args:
        home: the bench.
        store: its records.
        runs: what is to be issued; what waits for a signature needs no key.
        ask: whoever is asked, for the station only where the system names no passphrase; None: the system for the
            station, and the persons at the terminal.

    Raises:
        KeyFileError, PassphraseMissingError, PassphraseWrongError, TokenFailedError: a key cannot be used.
    """
    from testbench.certificate.passphrases import FromSystem, FromTerminal, Remembering, system_has_one

    needed = {()} if home.bench().certificates_signed_by == "station" else _needed(home, store, runs)
    for_station = FromSystem() if ask is None or system_has_one() else ask
    found = Unlocked(
        () in needed, tuple(sorted({person for both in needed for person in both})), Remembering(for_station),
        Remembering(ask or FromTerminal()),
    )  # fmt: skip
    found.signing(home, store)
    return found


def _needed(home: Home, store: "SqliteStore", runs: Sequence[str]) -> set[tuple[str, ...]]:
    """Operator and reviewer, or nobody for the station's seal, of each document that could be issued."""
    from testbench.station.sign_off import check_signed

    found: set[tuple[str, ...]] = set()
    for run in runs:
        try:
            of = store.record_of(run), store.signatures_of(run)
            check_signed(*of)
        except BenchError:  # told of this document
            continue
        found.add(_persons_of(home, of))
    return found


def _key_of(home: Home, store: "SqliteStore", person: str, signing: Signing) -> "StationKey":
    """The own key of who signed a record: the one that the ledger ties to that person."""
    if person in signing.persons:
        return signing.persons[person]
    from testbench.certificate.keyring import load_person_key
    from testbench.certificate.passphrases import FromTerminal
    from testbench.certificate.register import revoked_here

    tied = [tie for tie in map(json.loads, store.statements(PERSON_KEY)) if tie["person"] == person]
    if not tied:
        raise PersonKeyError(person, "the ledger ties no key to this person")
    gone = revoked_here(home.keys, tied[-1]["fingerprint"])
    if gone is not None:
        raise PersonKeyError(person, f"the certificate of {gone.name} was revoked on {gone.revocation}")
    key = load_person_key(home.keys, tied[-1]["name"], signing.ask or FromTerminal())
    if key.fingerprint != tied[-1]["fingerprint"]:
        raise PersonKeyError(person, "the key that lies here is not the one that the ledger ties to this person")
    return key


def tie_key(home: Home, name: str, fingerprint: str) -> str:
    """Let the ledger tie a certificate to the registered person whose printed name it bears.

    Args:
        home: the bench.
        name: in the certificate.
        fingerprint: SHA-256 of the certificate, hexadecimal.

    Returns:
        The person's id; empty where nobody of this name is registered, and then nothing is tied.
    """
    from testbench.station.people import people_of

    if not home.database.exists():
        return ""
    with open_store(home) as store:
        found = next((one for one in people_of(store.people()).values() if one.name == name), None)
        if found is None:
            return ""
        store.state(PERSON_KEY, found.id, {"person": found.id, "name": name, "fingerprint": fingerprint})
        return found.id
