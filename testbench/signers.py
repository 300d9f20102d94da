"""Who signs a document of a home, and with which keys: the station, or operator and reviewer with their own."""

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from testbench.errors import PersonKeyError
from testbench.wiring import Home, open_store

if TYPE_CHECKING:
    from testbench.certificate.hands import Hands
    from testbench.certificate.keys import StationKey
    from testbench.certificate.passphrases import Passphrases
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
    stamps: "TimeStamps | None" = None
    """The time-stamp authority where it was asked already; None: that of bench.toml."""


def hands_of(
    home: Home, store: "SqliteStore", of: "tuple[RunRecord, tuple[Signature, ...]]", signing: Signing
) -> "Hands":
    """Who signs the document of a run: the station, or for a certificate its operator and its reviewer."""
    from testbench.certificate.anchors import anchors_of
    from testbench.certificate.hands import of_persons, of_station
    from testbench.certificate.keys import load_station_key
    from testbench.certificate.passphrases import system_has_one
    from testbench.run.record import Verdict
    from testbench.run.signature import Meaning

    record, signed = of
    people = {one.meaning: one for one in signed}
    by_persons = home.bench().certificates_signed_by == "persons" and record.verdict is Verdict.ACCEPTED
    if not by_persons or Meaning.RELEASED not in people:
        ask = None if signing.system_first and system_has_one() else signing.ask
        return of_station(signing.station or load_station_key(home.keys, ask))
    operator, reviewer = (
        _key_of(home, store, people[meaning], signing) for meaning in (Meaning.PERFORMED, Meaning.RELEASED)
    )
    return of_persons(operator, reviewer, anchors_of(home.keys, (), (), ()))


def _key_of(home: Home, store: "SqliteStore", one: "Signature", signing: Signing) -> "StationKey":
    """The own key of who signed a record: the one that the ledger ties to that person."""
    from testbench.certificate.keyring import load_person_key
    from testbench.certificate.passphrases import FromTerminal

    tied = [tie for tie in map(json.loads, store.statements(PERSON_KEY)) if tie["person"] == one.person]
    if not tied:
        raise PersonKeyError(one.person, "the ledger ties no key to this person")
    key = load_person_key(home.keys, tied[-1]["name"], signing.ask or FromTerminal())
    if key.fingerprint != tied[-1]["fingerprint"]:
        raise PersonKeyError(one.person, "the key that lies here is not the one that the ledger ties to this person")
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
